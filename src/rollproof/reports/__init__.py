"""Reports made from result models."""
