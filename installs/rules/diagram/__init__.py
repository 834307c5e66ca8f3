"""A circuit drawn as it is wired, and the same said in words."""
