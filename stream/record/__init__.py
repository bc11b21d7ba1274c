"""The session file: layout, crash-safe writer, reader, recovery."""
