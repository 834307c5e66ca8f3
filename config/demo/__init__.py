"""The invented firm: factories of single records, and the generator of a whole firm built on the same catalogue."""
