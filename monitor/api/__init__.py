"""The status API, signing in, and the phone page."""
