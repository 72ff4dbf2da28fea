"""History of readings behind one interface, SQLite by default."""
