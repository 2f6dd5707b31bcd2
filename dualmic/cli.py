"""The commands: parse, call, print; no measuring."""

import click


@click.group()
def main() -> None:
    """Listen to two-microphone interview recordings."""
