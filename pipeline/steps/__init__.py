"""One module per rule, of the same name: joins core to files."""
