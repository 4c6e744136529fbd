"""Ways out: webhooks, mail and MQTT. They send what the outbox holds; none of them decides what."""
