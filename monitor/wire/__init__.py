"""MQTT: bytes into events, commands into bytes; judges nothing."""
