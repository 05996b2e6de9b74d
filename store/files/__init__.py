"""Files of a library: where they lie, durable writes, traces, originals."""
