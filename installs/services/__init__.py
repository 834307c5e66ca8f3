"""Writes of the as-installed record: one verb per function, one transaction each, the actor passed.

Callers have checked the person's right and that the site is visible to them.
"""
