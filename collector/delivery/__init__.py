"""Messages to people and machines, from the outbox until acknowledged."""
