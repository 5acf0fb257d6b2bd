"""The wire: every JSON document and request body as a strict model."""
