"""What several test modules share: a real broker and the open recordings."""
