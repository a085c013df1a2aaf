"""The engine: plan, buffers, reader, fan-out, writers, read-back."""
