"""Loading a folder of tables: read, check everything, report every bad row, write all or nothing.

The rules are those of the single services (`breeding.services.rules`); the writing is in bulk.
"""
