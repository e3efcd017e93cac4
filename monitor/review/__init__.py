"""Looking back and ahead, pure: bedding periods, sizing, forecast, calendar, reports."""
