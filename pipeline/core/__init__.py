"""The science: arrays and geometries in, new objects out; no paths, no configuration."""
