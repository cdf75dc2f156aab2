"""What strangers say to a running server, and that it gives nothing away, starts nothing and stays up."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing

import pytest

from advisor.views import server

pytestmark = pytest.mark.slow

EVIL = "evil.example"
WS = {
    "Upgrade": "websocket",
    "Connection": "Upgrade",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "c29tZSBub25jZSBvZiAxNg==",
}
OLD = {"Sec-WebSocket-Origin": f"http://{EVIL}", "Sec-WebSocket-Version": "8"}
TOKEN = {"Authorization": "token {token}"}
COOKIE = {"Cookie": "{cookie}"}
CHANNELS = "GET /api/kernels/{kernel}/channels"
XSRF = COOKIE | {"X-XSRFToken": "{xsrf}"}
FORM = {"Content-Type": "application/x-www-form-urlencoded"}
FORGED = (
    'username-127-0-0-1-{port}="2|1:0|10:1700000000|24:username-127-0-0-1-{port}|16:eyJ1c2VybmFtZSI6|' + "0" * 64 + '"'
)

# What is asked, with which headers, and the body; the words in braces are those of the server that is asked.
NO_TOKEN = {
    "the page": ("GET {page}",),
    "the page, by name": ("GET /doc/tree/intake_triage.ipynb",),
    "the page, rendered": ("GET /voila/render/intake_triage.ipynb",),
    "the page's head": ("HEAD {page}",),
    "a page of the folder": ("GET /voila/tree",),
    "the folder": ("GET /api/contents",),
    "the folder, by voila": ("GET /voila/api/contents",),
    "a notebook": ("GET /api/contents/intake_triage.ipynb",),
    "a notebook, as a file": ("GET /files/intake_triage.ipynb",),
    "a notebook, by voila": ("GET /voila/files/intake_triage.ipynb",),
    "a picture of the folder": ("GET /voila/files/secret.png",),
    "a file of voila's": ("GET /voila/static/voila.js",),
    "a file of the template": ("GET /voila/templates/bench/static/voila.js",),
    "a notebook, converted": ("GET /nbconvert/html/intake_triage.ipynb",),
    "the kernels": ("GET /api/kernels",),
    "a kernel": ("GET /api/kernels/{kernel}",),
    "a new kernel": ("POST /api/kernels", {}, "{{}}"),
    "a new session": ("POST /api/sessions", {}, "{{}}"),
    "a kernel's end": ("DELETE /api/kernels/{kernel}",),
    "a kernel's end, by voila": ("POST /voila/api/shutdown/{kernel}",),
    "a kernel's restart": ("POST /api/kernels/{kernel}/restart",),
    "a terminal": ("POST /api/terminals",),
    "the server's end": ("POST /api/shutdown",),
    "a file written": ("PUT /api/contents/planted.ipynb", {}, '{{"type": "file", "format": "text", "content": "x"}}'),
    "settings": ("GET /lab/api/settings",),
    "settings written": ("PUT /lab/api/settings/@jupyterlab/apputils-extension:themes", {}, '{{"raw": "{{}}"}}'),
    "a workspace": ("GET /lab/api/workspaces/default",),
    "a build": ("POST /lab/api/build",),
    "an extension installed": ("POST /lab/api/extensions", {}, '{{"cmd": "install", "extension_name": "x"}}'),
    "the metrics": ("GET /metrics",),
    "who I am": ("GET /api/me",),
    "a websocket": (CHANNELS, WS),
    "a websocket of events": ("GET /api/events/subscribe", WS),
    "a websocket of a language server": ("GET /lsp/ws/pylsp", WS),
    "a websocket of the renderer": ("GET /voila/execution/{kernel}", WS),
    "a websocket of a waiting kernel": ("GET /voila/query/{kernel}", WS),
}
WRONG_TOKEN = {
    "a guess": ("GET {page}?token=letmein",),
    "nothing": ("GET {page}?token=",),
    "its beginning": ("GET {page}?token={token_less}",),
    "more of it": ("GET {page}?token={token}x",),
    "the other case": ("GET {page}?token={token_swapped}",),
    "what it is before there is one": ("GET {page}?token=<generated>",),
    "what every answer shows": ("GET {page}?token={proof}",),
    "None": ("GET {page}?token=None",),
    "a pattern": ("GET {page}?token=.*",),
    "many": ("GET {page}?token=a&token=b&token=",),
    "bytes": ("GET {page}?token=%ff%fe",),
    "a guess in a header": ("GET {page}", {"Authorization": "token letmein"}),
    "a bearer of nothing": ("GET {page}", {"Authorization": "Bearer "}),
    "as a password": ("GET {page}", {"Authorization": "Basic dG9rZW46dG9rZW4="}),
    "a guess at the form": ("POST /login", FORM, "password=letmein"),
    "nothing at the form": ("POST /login", FORM, "password="),
    "a forged cookie": ("GET {page}", {"Cookie": FORGED}),
    "an unsigned cookie": ("GET {page}", {"Cookie": 'username-127-0-0-1-{port}={{"username": "x"}}'}),
    "a cookie of another port": ("GET {page}", {"Cookie": "{cookie_other}"}),
    "a guess for a websocket": ("GET /api/kernels/{kernel}/channels?token=letmein", WS),
    "a guess in a websocket's header": (CHANNELS, WS | {"Authorization": "token x"}),
    "a forged cookie for a websocket": (CHANNELS, WS | {"Cookie": FORGED}),
    "the user that a proxy names": ("GET {page}", {"X-Forwarded-User": "root", "Remote-User": "root"}),
}
# With the right token or cookie: a page of another name whose address was changed to this machine's.
WRONG_HOST = {
    "the page": ("GET {page}?token={token}", {"Host": EVIL}),
    "with the port": ("GET {page}?token={token}", {"Host": EVIL + ":{port}"}),
    "this address before it": ("GET {page}?token={token}", {"Host": "127.0.0.1." + EVIL}),
    "this name before it": ("GET {page}?token={token}", {"Host": "localhost." + EVIL}),
    "any address": ("GET {page}?token={token}", {"Host": "0.0.0.0:{port}"}),
    "an address of the network": ("GET {page}?token={token}", {"Host": "192.168.1.5:{port}"}),
    "the whole address asked for": ("GET {page}?token={token}", {"Host": "127.0.0.1@" + EVIL}),
    "by cookie": ("GET {page}", COOKIE | {"Host": EVIL}),
    "a file of voila's": ("GET /voila/static/voila.js?token={token}", {"Host": EVIL}),
    "a file of the template": ("GET /voila/templates/bench/static/voila.js?token={token}", {"Host": EVIL}),
    "the form": ("GET /login", {"Host": EVIL}),
    "the right word at the form": ("POST /login", FORM | {"Host": EVIL}, "password={token}"),
    "the kernels": ("GET /api/kernels?token={token}", {"Host": EVIL}),
    "a kernel": ("GET /api/kernels/{kernel}", TOKEN | {"Host": EVIL}),
    "a kernel's end": ("DELETE /api/kernels/{kernel}", TOKEN | {"Host": EVIL}),
    "a kernel's end, by voila": ("POST /voila/api/shutdown/{kernel}", TOKEN | {"Host": EVIL}),
    "a websocket": (CHANNELS, WS | COOKIE | {"Host": EVIL}),
    "a websocket by token": ("GET /api/kernels/{kernel}/channels?token={token}", WS | {"Host": EVIL}),
    "a websocket of its own": (
        CHANNELS,
        WS | COOKIE | {"Host": EVIL, "Origin": f"http://{EVIL}"},
    ),
    "what a proxy says": (
        "GET {page}",
        {"Host": EVIL, "X-Forwarded-Host": "127.0.0.1:{port}", "X-Real-IP": "127.0.0.1"},
    ),
}
# With the right cookie, which a browser adds by itself: another page makes it ask.
FOREIGN_PAGE = {
    "the page, fetched": ("GET {page}", COOKIE | {"Origin": f"http://{EVIL}"}),
    "the page, in a frame": ("GET {page}", COOKIE | {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "iframe"}),
    "the page, as a picture": ("GET {page}", COOKIE | {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Dest": "image"}),
    "the page, by another port": ("GET {page}", COOKIE | {"Sec-Fetch-Site": "same-site"}),
    "the page, by a page of no origin": ("GET {page}", COOKIE | {"Origin": "null"}),
    "a kernel's end": ("DELETE /api/kernels/{kernel}", XSRF | {"Origin": f"http://{EVIL}"}),
    "a kernel's end by another port": ("DELETE /api/kernels/{kernel}", XSRF | {"Origin": "http://127.0.0.1:1"}),
    "a kernel's end without the second word": ("DELETE /api/kernels/{kernel}", COOKIE),
    "a kernel's end by a form": ("POST /voila/api/shutdown/{kernel}", COOKIE | FORM, "a=b"),
    "a kernel's end by a form with a guess": ("POST /voila/api/shutdown/{kernel}", COOKIE | FORM, "_xsrf=guess"),
    "a kernel's end by a page of no origin": ("POST /voila/api/shutdown/{kernel}", XSRF | {"Origin": "null"}),
    "a kernel's restart": ("POST /api/kernels/{kernel}/restart", COOKIE | {"Content-Type": "text/plain"}),
    "a new kernel": ("POST /api/kernels", COOKIE | {"Content-Type": "text/plain"}, "{{}}"),
    "a file written": ("PUT /api/contents/planted.ipynb", COOKIE | {"Origin": f"http://{EVIL}"}, "{{}}"),
    "the server's end": ("POST /api/shutdown", COOKIE),
    "a login by a form": ("POST /login", FORM | {"Origin": f"http://{EVIL}"}, "password={token}"),
    "the method in a header": ("POST /api/kernels/{kernel}", COOKIE | {"X-HTTP-Method-Override": "DELETE"}),
    "a websocket": (CHANNELS, WS | COOKIE | {"Origin": f"http://{EVIL}"}),
    "a websocket by another port": (CHANNELS, WS | COOKIE | {"Origin": "http://127.0.0.1:1"}),
    "a websocket by a page of no origin": (CHANNELS, WS | COOKIE | {"Origin": "null"}),
    "a websocket by a name like this": (CHANNELS, WS | COOKIE | {"Origin": "http://127.0.0.1:{port}." + EVIL}),
    "a websocket by this name for another": (CHANNELS, WS | COOKIE | {"Origin": "http://127.0.0.1:{port}@" + EVIL}),
    "a websocket of old": (CHANNELS, WS | COOKIE | OLD),
}  # fmt: skip
# With the right token: files that are none of the page's.
WRONG_PATH = {
    "upwards": ("GET /voila/files/../../../../../../../../etc/passwd",),
    "upwards in disguise": ("GET /voila/files/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",),
    "upwards in double disguise": ("GET /voila/files/%252e%252e/%252e%252e/%252e%252e/%252e%252e/etc/passwd",),
    "from the root": ("GET /voila/files//etc/passwd",),
    "from the root in disguise": ("GET /voila/files/%2Fetc%2Fpasswd",),
    "upwards from static": ("GET /voila/static/../../../../../../../../etc/passwd",),
    "upwards from static in disguise": ("GET /voila/static/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "upwards from a template": ("GET /voila/templates/bench/static/../../../../../../../../../../etc/passwd",),
    "a template upwards": ("GET /voila/templates/../static/../../../../../../../../../../../../etc/passwd",),
    "upwards from a theme": ("GET /voila/api/themes/../../../../../../../../../../../etc/passwd",),
    "upwards from an extension": ("GET /voila/labextensions/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "upwards from a page": ("GET /voila/render/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "upwards from files": ("GET /files/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "upwards from contents": ("GET /api/contents/..%2f..%2f..%2f..%2f..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "upwards from the notebook": ("GET /doc/tree/..%2f..%2f..%2f..%2fetc%2fpasswd",),
    "backwards strokes": ("GET /voila/files/..\\..\\..\\..\\etc\\passwd",),
    "with an end in it": ("GET /voila/files/intake_triage.ipynb%00.png",),
    "the log of the user": ("GET /voila/files/../bench-log.sqlite",),
    "a picture of the folder": ("GET /voila/files/secret.png",),
    "the whole address of another": (f"GET http://{EVIL}/voila/files/secret.png",),
}
# Not HTTP, or barely; {host} is a right one.
NONSENSE = {
    "no words": "\r\n\r\n",
    "no version": "GET /\r\n\r\n",
    "another protocol": "SSH-2.0-OpenSSH_9.2\r\n\r\n",
    "TLS": "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + "\x00" * 64 + "\r\n\r\n",
    "HTTP/2": "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "two hosts": "GET {page}?token={token} HTTP/1.1\r\n{host}Host: evil.example\r\n\r\n",
    "no host": "GET {page} HTTP/1.1\r\nConnection: close\r\n\r\n",
    "no host, of old": "GET {page} HTTP/1.0\r\n\r\n",
    "an unknown method": "HACK / HTTP/1.1\r\n{host}Connection: close\r\n\r\n",
    "TRACE": "TRACE / HTTP/1.1\r\n{host}Connection: close\r\n\r\n",
    "CONNECT": "CONNECT evil.example:443 HTTP/1.1\r\n{host}Connection: close\r\n\r\n",
    "a long line": "GET /" + "a" * 100_000 + " HTTP/1.1\r\n{host}\r\n",
    "long headers": "GET / HTTP/1.1\r\n{host}X: " + "a" * 100_000 + "\r\n\r\n",
    "less than nothing": "POST /login HTTP/1.1\r\n{host}Content-Length: -1\r\n\r\n",
    "a body beyond all measure": "POST /login HTTP/1.1\r\n{host}Content-Length: 99999999999999\r\n\r\n",
    "two lengths": "POST /login HTTP/1.1\r\n{host}Content-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef",
    "a length and pieces": "POST /login HTTP/1.1\r\n{host}Connection: close\r\nContent-Length: 5\r\n"
    "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /?token={token} HTTP/1.1\r\n\r\n",
    "bad pieces": "POST /login HTTP/1.1\r\n{host}Transfer-Encoding: chunked\r\n\r\nzz\r\n\r\n",
    "a second answer by the path": "GET /%0d%0aSet-Cookie:%20a=b HTTP/1.1\r\n{host}Connection: close\r\n\r\n",
    "a line within a header": "GET {page} HTTP/1.1\r\n{host}X: a\nSet-Cookie: a=b\r\nConnection: close\r\n\r\n",
}
ELSEWHERE = ["//evil.example", "https://evil.example/", "/\\evil.example", "///evil.example", "http:evil.example",
             "/%09/evil.example", "https:///evil.example", "\\\\evil.example"]  # fmt: skip

SAID = {
    f"{kind}: {name}": what
    for kind, sayings in {
        "no token": NO_TOKEN,
        "wrong token": WRONG_TOKEN,
        "wrong Host": WRONG_HOST,
        "foreign page": FOREIGN_PAGE,
    }.items()
    for name, what in sayings.items()
}


@pytest.fixture(scope="session")
def words(door):
    """What a saying may speak of; a picture lies in the folder, and a row in the log would be seen."""
    (door.planned.folder / "secret.png").write_bytes(b"a picture nobody was shown")
    cookie, token = door.log_in(), door.planned.token
    from advisor.views.door import proof_of

    return {
        "token": token, "token_less": token[:-1], "token_swapped": token.swapcase(), "proof": proof_of(token),
        "cookie": cookie, "cookie_other": cookie.replace(str(door.planned.port), "8888"),
        "page": "/" if door.planned.app else "/lab",
        "xsrf": re.search(r"_xsrf=([^;]*)", cookie)[1], "port": str(door.planned.port), "host": "Host: 127.0.0.1\r\n",
    }  # fmt: skip


def rows(home) -> int:
    count = 0
    for file in home.rglob("*.sqlite*"):
        if file.suffix == ".sqlite":
            with closing(sqlite3.connect(file)) as book:
                for (table,) in book.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
                    count += book.execute(f'SELECT COUNT(*) FROM "{table}"').fetchone()[0]
    return count


def ask(door, words, what, headers=None, body=""):
    words = words | {"kernel": door.kernel()}
    headers = {name: value.format(**words) for name, value in (headers or {}).items()}
    return door.ask(what.format(**words), headers, body.format(**words))


def refused(answer) -> bool:
    """Refused outright, or sent to the form that asks for the token."""
    if answer.status == 302:
        return answer.headers["location"].startswith("/login?next=%2F")
    return answer.status == 0 or 400 <= answer.status < 500


@pytest.mark.parametrize("name", SAID)
def test_a_stranger_gets_nothing_and_starts_nothing(door, words, home, name):
    door.kernel()
    kernels, logged = door.kernels(), rows(home)
    answer = ask(door, words, *SAID[name])
    if name.startswith("foreign page: "):
        # The user's own browser asked, and an answer may speak of the token; the other page may not read or frame it.
        assert "access-control-allow-origin" not in answer.headers
        assert answer.status != 200 or "frame-ancestors 'self'" in answer.headers["content-security-policy"]
        assert refused(answer) or ("the page" in name and not door.planned.app), (answer.status, answer.body[:300])
    else:
        assert refused(answer), (answer.status, answer.headers, answer.body[:300])
        assert words["token"] not in answer.body and "a picture nobody" not in answer.body
    assert door.kernels() == kernels and rows(home) == logged
    assert not (door.planned.folder / "planted.ipynb").exists()
    assert door.process.poll() is None


@pytest.mark.parametrize("name", WRONG_PATH)
def test_no_path_leads_to_a_file_that_is_not_the_pages(door, words, name):
    answer = ask(door, words, WRONG_PATH[name][0], TOKEN)
    assert "root:" not in answer.body and "a picture nobody" not in answer.body and "SQLite format" not in answer.body


@pytest.mark.parametrize("name", NONSENSE)
def test_nonsense_is_refused_and_the_server_stays_up(door, words, name):
    door.kernel()
    kernels = door.kernels()
    answer = door.say(NONSENSE[name].format(**words))
    assert refused(answer), (answer.status, answer.headers, answer.body[:300])
    assert "set-cookie: a=b" not in str(answer.headers).lower() and answer.headers.get("set-cookie") != "a=b"
    assert door.kernels() == kernels
    assert door.ask("GET /login").status == 200


@pytest.mark.parametrize("place", ELSEWHERE)
def test_the_form_sends_nobody_elsewhere(door, words, place):
    for answer in (
        door.ask(f"GET /login?token={words['token']}&next={place}"),
        ask(door, words, f"POST /login?next={place}", XSRF | FORM, "password={token}&_xsrf={xsrf}"),
    ):
        assert answer.status == 302
        assert re.match(r"/(?![/\\])", answer.headers["location"]), answer.headers["location"]
        assert server.HOST not in answer.headers["location"]
