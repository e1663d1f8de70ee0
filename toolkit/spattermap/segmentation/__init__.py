"""Pixels to labels: metal likelihood, droplets, streaks, haze and cracks."""
