"""The numerical engine: arrays in, arrays out; only `network` knows what parts, circuits and settings are."""
