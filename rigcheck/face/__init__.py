"""What the pictures of a face say about the fitting."""
