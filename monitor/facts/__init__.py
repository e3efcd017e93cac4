"""The trade's thresholds and tables, as data, each row with its source."""
