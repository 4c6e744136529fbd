"""An invented farm with a simulated crop, which reaches the service as any farm would: by HTTP and MQTT."""
