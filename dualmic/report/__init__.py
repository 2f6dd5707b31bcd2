"""What is written: one file an output, each drawn from the take record alone."""
