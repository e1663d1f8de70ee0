"""From labelled regions to numbers: sizes, shapes, coverage, spacing, connection."""
