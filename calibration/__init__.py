"""Decisions: judging a reference tone and a room floor, and the closed loop that matches a cooler."""
