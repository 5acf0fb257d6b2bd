"""Files: calibrations, matched settings and records, written whole or not at all."""
