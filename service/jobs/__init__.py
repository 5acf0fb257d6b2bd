"""Measurements driven with real ports: listening, calibrating, floor checks, matches."""
