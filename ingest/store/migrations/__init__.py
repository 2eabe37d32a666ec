"""Versions of the store's schema, oldest first, applied by `ingest.store.catalog.migrate`."""
