"""Evidence about a unit: readings, marks and meters."""
