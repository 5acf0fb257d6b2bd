"""What the archive gives back: the searched columns of each kind as frozen data."""
