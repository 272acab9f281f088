"""The token of the desks that the tests start."""

TOKEN = "a-token-for-tests"
