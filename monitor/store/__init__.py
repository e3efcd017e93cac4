"""SQLite: what was measured, decided and written down, and what must still be told. It judges nothing."""
