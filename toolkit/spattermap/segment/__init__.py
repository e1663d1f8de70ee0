"""From a map set to labelled regions: droplets, streaks, haze and cracks."""
