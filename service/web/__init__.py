"""The lab over HTTP: its API, live frames, metrics and the page, served by one application."""
