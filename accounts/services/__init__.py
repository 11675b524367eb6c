"""Writes. Each is one transaction with its audit row; refusals are `accounts.refusals.Refusal`."""
