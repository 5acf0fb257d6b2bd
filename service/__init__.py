"""The outside world: sound inputs, benches, the simulated room, files and the command line."""
