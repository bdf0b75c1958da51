"""Room: plan."""
