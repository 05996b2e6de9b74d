"""The demo library: a field-survey outfit's equipment store tests its power banks, adapters and cables."""
