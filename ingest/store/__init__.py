"""The run store: raw files unchanged, readings as Parquet, a catalog; `store` is its door."""
