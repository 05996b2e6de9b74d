"""From the bytes of a meter's export to channels in SI units. Knows files and quantities: no store, no screen."""
