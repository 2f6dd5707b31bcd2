"""Reference signals made from the published tables, each with its expected reading and source."""
