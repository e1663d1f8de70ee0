"""Errors, settings, the map set and its facts, parts and workers, files that appear whole."""
