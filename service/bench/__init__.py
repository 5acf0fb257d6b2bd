"""The bench control API: a client for the measuring side, a host for the machine with the fans."""
