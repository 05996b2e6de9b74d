"""Parts that several screens share. Each is given finished text or arrays and computes nothing of the trade."""
