"""The API: resources under /v1, how they are described, and how they answer."""
