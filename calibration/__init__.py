"""Decisions: judging a reference tone and a room floor, and the loop that matches a cooler."""
