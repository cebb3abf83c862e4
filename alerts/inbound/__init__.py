"""What people and gateways bring back: answers by text and by link, receipts. It writes answers, never a prompt."""
