"""The pure core: events in, actions out; no clock, no file, no socket."""
