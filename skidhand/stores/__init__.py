"""Time-series stores behind one protocol; ``open_store`` picks one by its URL."""
