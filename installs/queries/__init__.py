"""Reads of the as-installed record: each function names its number of SQL statements."""
