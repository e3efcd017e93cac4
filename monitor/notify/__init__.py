"""Who is told, by which channel, when and again."""
