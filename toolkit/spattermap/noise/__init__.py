"""Counting statistics, noise models, block moments and correlation length."""
