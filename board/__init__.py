"""Web pages and HTTP API for the remote engineer (to come)."""
