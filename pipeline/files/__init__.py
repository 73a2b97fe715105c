"""Reading, validating and writing; deterministic and atomic."""
