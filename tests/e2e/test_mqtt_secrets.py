"""A broker that asks who we are, and is asked who it is: passwords, certificates, where they lie."""

import asyncio
import subprocess
from pathlib import Path

import pytest

from adapters.counts import Counts
from adapters.gateway.site_file import load_site
from adapters.links import LinkError
from adapters.mqtt.transport import MqttSettings, MqttTransport
from tests.broker import ANYBODY, broker
from tests.registers import Room, until

SITE = """
cell_count = 16
[[packs]]
pack = "oak"
[[links]]
name = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
user = "bank"
password_file = "secret"
  [[links.hears]]
  as = "topics"
  map = "map.toml"
  pack = "oak"
"""
MAP = """
kind = "topics"
[[topics]]
topic = "shed/{pack}/u"
  [[topics.values]]
  field = "voltage_mv"
  unit = "V"
"""


def users_in(folder: Path) -> Path:
    """Make the broker's list of users, with one of them."""
    users = folder / "users"
    users.touch(mode=0o600)
    command = ["mosquitto_passwd", "-b", str(users), "bank", "right"]
    subprocess.run(command, check=True, capture_output=True)
    return users


def test_a_password_is_asked_for_and_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From a file or the environment; a wrong one is told in one line."""
    users = users_in(tmp_path)
    secret = tmp_path / "secret"
    secret.write_text("right\n", encoding="utf-8")
    monkeypatch.setenv("BROKER_PASSWORD", "right")
    monkeypatch.setenv("WRONG_PASSWORD", "wrong")

    async def opened(**more: str) -> None:
        transport = MqttTransport(
            MqttSettings(host="127.0.0.1", port=there.port, user="bank", **more)  # type: ignore[arg-type]  # texts only
        )
        try:
            await transport.open()
        finally:
            await transport.close()

    with broker(tmp_path, f"allow_anonymous false\npassword_file {users}") as there:
        asyncio.run(opened(password_file=str(secret)))
        asyncio.run(opened(password_variable="BROKER_PASSWORD"))
        with pytest.raises(LinkError, match=r"Not authori[sz]ed.*does it know us"):
            asyncio.run(opened(password_variable="WRONG_PASSWORD"))
        with pytest.raises(LinkError, match="the environment has no NOT_SET; set it"):
            asyncio.run(opened(password_variable="NOT_SET"))
        with pytest.raises(LinkError, match="no password: No such file"):
            asyncio.run(opened(password_file=str(tmp_path / "none")))


def test_a_sites_password_lies_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its file is named from SITE.toml's folder, wherever the gateway was started."""
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    users, site = users_in(tmp_path), tmp_path / "SITE.toml"
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    (tmp_path / "secret").write_text("right\n", encoding="utf-8")

    async def opened() -> Counts:
        link = load_site(site).links[0].link()
        task = asyncio.create_task(link.run(Room()))
        await until(lambda: link.counts.opened or link.counts.trouble)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return link.counts

    with broker(tmp_path, f"allow_anonymous false\npassword_file {users}") as there:
        site.write_text(SITE.format(port=there.port), encoding="utf-8")
        counts = asyncio.run(opened())
    assert (counts.opened, counts.trouble) == (1, None)


def test_files_are_named_from_a_folder() -> None:
    """All of them, unless they are whole paths or not named at all."""
    plain = MqttSettings(host="h", user="u", password_file="p", tls=True, ca_file="/etc/ca")
    found = plain.beside(Path("/site"))
    assert (found.password_file, found.ca_file) == ("/site/p", "/etc/ca")
    assert (found.certificate_file, found.key_file) == ("", "")


def certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate of our own for 127.0.0.1; return it and its key."""
    found, key = folder / "own.pem", folder / "own.key"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2",
               "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1",
               "-keyout", str(key), "-out", str(found)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True)
    return found, key


def test_tls_checks_whom_it_talks_to(tmp_path: Path) -> None:
    """A certificate that we trust is taken, any other is refused in one line."""
    found, key = certificate(tmp_path)

    async def opened(ca_file: str) -> None:
        settings = MqttSettings(host="127.0.0.1", port=there.port, tls=True, ca_file=ca_file)
        transport = MqttTransport(settings)
        try:
            await transport.open()
        finally:
            await transport.close()

    with broker(tmp_path, f"{ANYBODY}\ncertfile {found}\nkeyfile {key}") as there:
        asyncio.run(opened(str(found)))
        with pytest.raises(LinkError, match=r"(?i)certificate verify failed"):
            asyncio.run(opened(""))
        with pytest.raises(LinkError, match=r"certificates of 127\.0\.0\.1: No such file"):
            asyncio.run(opened(str(tmp_path / "none")))
