"""The token and the key of the desks that the tests start."""

TOKEN = "a-token-for-tests"
KEY = "a-key-for-tests"


def came_in(web, key=KEY):  # type: ignore[no-untyped-def]
    """Open the first link with a client; return the client, which holds the cookie then."""
    answer = web.get("/", params={"key": key}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return web
