"""Reading sound out of files: one file a kind of container, chosen by ``openfile.py``."""
