"""Room: model."""
