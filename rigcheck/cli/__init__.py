"""Room in the making."""
