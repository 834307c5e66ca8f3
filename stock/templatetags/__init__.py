"""Filters of the stock pages."""
