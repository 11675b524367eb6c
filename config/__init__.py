"""Wiring: settings, addresses, entry points. No behaviour."""
