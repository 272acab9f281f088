"""What is handed on: made from accounts, for others to read and check."""
