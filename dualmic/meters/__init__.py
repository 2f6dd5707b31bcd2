"""What is measured: one file a quantity, each a meter with ``push(block)`` and ``result()``."""
