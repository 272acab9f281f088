"""The routes of the desk's API, by what they are about."""
