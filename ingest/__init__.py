"""Takes readings in over MQTT: broker, listener, payloads, writer."""
