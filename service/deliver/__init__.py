"""Ways out of the house for what was concluded."""
