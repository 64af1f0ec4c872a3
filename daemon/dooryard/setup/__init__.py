"""What `dooryard setup` does: questions, each answer tried at once, and the files that come of them."""
