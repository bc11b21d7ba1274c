"""Everything a person touches."""
