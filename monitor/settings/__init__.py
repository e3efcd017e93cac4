"""What the keeper wrote, turned into the specification the engine runs on."""
