"""SQLite: readings, roll-ups, journal, state, outbox; judges nothing."""
