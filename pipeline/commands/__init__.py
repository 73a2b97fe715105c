"""What a person runs beside the workflow: a look before a long run, and a first configuration."""
