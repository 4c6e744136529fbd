"""The science and the planning: pure functions on arrays, small frozen types. No input, output, clock or database."""
