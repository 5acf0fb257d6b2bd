"""The microphone that all share: one reader of sound, live levels, and who else listens."""
