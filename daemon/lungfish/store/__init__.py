"""SQLite: schema and migrations, one writer, queries."""
