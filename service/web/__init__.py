"""Pages and files served to a browser."""
