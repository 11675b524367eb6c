"""Reads. Lists are scoped by a Viewer: what is not in the list does not exist for them."""
