"""What people and programs see: HTTP, live stream, page, command line. Asks `collector.service` only."""
