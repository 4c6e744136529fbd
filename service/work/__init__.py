"""What the grower and the house do: one function a use case, handed a unit of work, a clock and plain data."""
