"""Reads. Lists are scoped by a `Viewer`; nothing here changes anything."""
