"""The daemon: who makes events, who obeys actions. Wiring only; every rule stands in a room below."""
