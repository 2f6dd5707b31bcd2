"""The demo scenario: a visit to a canal lock keeper, invented for this project."""
