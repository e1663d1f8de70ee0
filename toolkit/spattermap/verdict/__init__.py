"""Co-location of the elements and the verdict on each."""
