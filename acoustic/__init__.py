"""Acoustics as pure computation: arrays in, numbers out; no files, no clock, no network."""
