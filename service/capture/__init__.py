"""Sound inputs other than the simulated one: devices, recordings, programs."""
