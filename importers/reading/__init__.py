"""An export read: inspected, then its samples in SI units pushed into a sink."""
