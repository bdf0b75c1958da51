"""Room: fit."""
