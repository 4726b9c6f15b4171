"""What it costs that a look at a person is written down."""

A_LOOK = 4
"""Queries of the first look at a page: savepoint, end of the chain, entry, release. The same page again costs none."""
