"""Real fans and pumps: one bench over any drivers, and a driver for each kind of hardware."""
