"""Versions of the store's schema, oldest first, applied by `ingest.catalog.migrate`."""
