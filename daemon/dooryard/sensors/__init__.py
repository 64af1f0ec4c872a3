"""What the box knows of itself."""
