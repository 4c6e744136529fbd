"""Tables, migrations and queries: the only place that knows SQL."""
