from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from nicegui import Client, core, ui
from nicegui.functions.download import download
from nicegui.functions.navigate import Navigate
from nicegui.functions.notify import notify
from nicegui.testing.general import nicegui_reset_globals
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from faultml.desk.app import create_desk
from faultml.desk.desk import Desk
from faultml.desk.folder import DeskFolder
from faultml.desk.sessions import Sessions, cookie_name

HOST = "127.0.0.1:8766"
COOKIE = "faultml_desk_8766"
OWN = {"host": HOST}
TOKEN = "a-token-of-more-than-24-letters"


@pytest.fixture(params=[""])
def client(request: pytest.FixtureRequest, folder: Path) -> Iterator[TestClient]:
    with nicegui_reset_globals():
        try:
            app = create_desk(Desk(DeskFolder(folder)), (HOST, "localhost:8766"), request.param)
            with TestClient(app, base_url=f"http://{HOST}", raise_server_exceptions=False) as opened:
                yield opened
        finally:
            ui.navigate, ui.notify, ui.download = Navigate(), notify, download
            Client.page_routes.clear()


def page_of(client: TestClient, **headers: str) -> str:
    answer = client.get("/swings", headers=headers)
    assert answer.status_code == 200
    return answer.text.split("'client_id': '")[1].split("'")[0]


def address(page: str) -> str:
    return f"ws://{HOST}/_nicegui_ws/socket.io/?EIO=4&transport=websocket&client_id={page}&implicit_handshake=false"


def connects(client: TestClient, page: str, **headers: str) -> bool:
    try:
        with client.websocket_connect(address(page), headers={"upgrade": "websocket", **headers}) as socket:
            return bool(socket.receive_text().startswith("0{"))
    except WebSocketDisconnect:
        return False


def test_a_page_has_a_session_of_its_own_and_a_policy(client: TestClient) -> None:
    answer = client.get("/swings")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=") and "HttpOnly" in cookie and "SameSite=Strict" in cookie
    reported = answer.headers["content-security-policy"]
    assert (
        "default-src 'none'" in reported
        and "frame-ancestors 'none'" in reported
        and "'unsafe-inline'" not in reported.split("style-src")[0]
    )
    nonce = reported.split("'nonce-")[1].split("'")[0]
    assert answer.text.count("<script") == answer.text.count(f'<script nonce="{nonce}"') > 3
    assert answer.headers["referrer-policy"] == "no-referrer"
    again = client.get("/swings")
    assert "set-cookie" not in again.headers and nonce not in again.headers["content-security-policy"]


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1:8767", "127.0.0.1", ""])
def test_another_host_is_refused(client: TestClient, host: str) -> None:
    assert client.get("/swings", headers={"host": host}).status_code in (400, 421)
    page = page_of(client)
    assert not connects(client, page, host=host, origin=f"http://{HOST}")


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", f"https://{HOST}.evil.example", f"http://{HOST}0"]
)
def test_another_origin_is_refused_on_requests_and_on_the_websocket(client: TestClient, origin: str) -> None:
    page = page_of(client)
    assert client.get("/swings", headers={"origin": origin}).status_code == 403
    assert client.post(f"/_nicegui/client/{page}/upload/1", headers={"origin": origin}).status_code == 403
    polled = "/_nicegui_ws/socket.io/?EIO=4&transport=polling"
    assert client.get(polled, headers={"origin": origin}).status_code == 403
    assert not connects(client, page, origin=origin)


def test_a_websocket_needs_an_origin_a_session_and_a_page_of_that_session(client: TestClient) -> None:
    page = page_of(client)
    own = f"http://{HOST}"
    assert connects(client, page, origin=own)
    assert not connects(client, page)
    assert not connects(client, "0" * 36, origin=own)
    kept = client.cookies.get(COOKIE)
    client.cookies.clear()
    assert not connects(client, page, origin=own)
    page_of(client)  # another browser
    assert client.cookies.get(COOKIE) != kept
    assert not connects(client, page, origin=own)


def test_a_page_of_another_site_may_only_lead_to_the_first_page(client: TestClient) -> None:
    assert client.get("/swings", headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert client.get("/verdicts", headers={"sec-fetch-site": "same-site"}).status_code == 403
    assert client.get("/swings", headers={"sec-fetch-site": "same-origin"}).status_code == 200


def test_a_body_over_its_limit_is_refused_unread(client: TestClient) -> None:
    assert client.post("/swings", headers={"content-length": "1000001"}, content=b"x").status_code == 413


@pytest.mark.parametrize("client", [TOKEN], indirect=True)
def test_with_a_token_nothing_is_shown_until_it_was_given(client: TestClient) -> None:
    assert client.get("/swings").status_code == 401
    assert client.get("/_nicegui/x/static/nicegui.js").status_code == 401
    wrong = client.post("/enter", data={"token": "no" * 20}, follow_redirects=False)
    assert wrong.status_code == 401 and "set-cookie" not in wrong.headers and "no" * 20 not in wrong.text
    right = client.post("/enter", data={"token": TOKEN}, follow_redirects=False)
    assert right.status_code == 303 and TOKEN not in right.headers["location"]
    assert client.get("/swings").status_code == 200


def test_only_websockets_are_offered(client: TestClient) -> None:
    client.get("/swings")
    assert core.app.config.socket_io_js_transports == ["websocket"]


def test_two_desks_on_one_machine_keep_their_sessions_apart() -> None:
    """A browser sends the cookies of a host to each of its ports."""
    first, second = Sessions(), Sessions()
    sent = "; ".join(
        f"{cookie_name(host)}={sessions.begin().id}"
        for host, sessions in (("127.0.0.1:8766", first), ("127.0.0.1:8767", second))
    )
    assert first.find(sent, "127.0.0.1:8766") is not None
    assert second.find(sent, "127.0.0.1:8767") is not None
    assert first.find(sent, "127.0.0.1:8767") is None


@pytest.mark.parametrize("host", ["localhost:8766", "[::1]:8766"])
def test_a_cookie_is_named_by_the_port(host: str) -> None:
    assert cookie_name(host) == COOKIE and cookie_name("desk.example") == "faultml_desk"
