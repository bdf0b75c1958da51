"""Room: show."""
