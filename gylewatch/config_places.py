"""What the configuration says about places: machines, files and the database. A fault names its key and remedy."""

from __future__ import annotations

import ipaddress
import re
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from gylewatch.toml_table import Table

_SQLITE: Final = "sqlite:///"
_URLS: Final = f"{_SQLITE}FILE or postgresql://USER@HOST/NAME"
_ENCRYPTED: Final = ("mqtts", "ssl", "tls", "wss")


def read_host(table: Table, key: str, default: str) -> str:
    """The name or address of a machine, without scheme and port.

    Raises
    ------
    TableError
        It is none. The value is repeated only where no password can stand in it.
    """
    host = table.text(key, default)
    problem = _host_problem(host)
    if problem and "@" in host:
        raise table.unusable(key, problem)
    if problem:
        raise table.wrong(key, problem)
    return host


def read_names(table: Table, key: str) -> tuple[str, ...]:
    """Names of machines, without scheme and port; TableError: one is none."""
    names = table.texts(key)
    for name in names:
        if _host_problem(name):
            raise table.wrong(key, f"{name[:60]!r} is no host name; write it alone, without scheme, path and port")
    return names


def read_path(table: Table, key: str, folder: Path) -> Path:
    """A file or folder, looked for beside the configuration; TableError: it names none."""
    name = table.text(key)
    if not name.strip():
        raise table.wrong(key, "is empty; write a name, or leave it out")
    if name.startswith("~"):
        raise table.wrong(key, "no shell reads this, so ~ is no home folder; write the full path")
    return folder / name


def read_folder(table: Table, key: str, folder: Path) -> Path:
    """A folder that is there, or may be made; TableError: it is a file, or names none."""
    path = read_path(table, key, folder)
    try:
        is_file = path.exists() and not path.is_dir()
    except OSError:  # of another user
        is_file = False
    if is_file:
        raise table.wrong(key, "is a file; name a folder")
    return path


def database_url(table: Table, url: str, folder: Path) -> str:
    """The database's address, with the file of SQLite looked for beside the configuration.

    Raises
    ------
    TableError
        It names no database that keeps anything. No more than its scheme is repeated: it may hold a password.
    """
    if url.startswith(_SQLITE):
        return _SQLITE + str(folder / _sqlite_file(table, url.removeprefix(_SQLITE)))
    scheme, mark, rest = url.partition(":")
    if scheme in ("postgresql", "postgresql+psycopg") and mark:
        try:
            _ = urlsplit(url).port
        except ValueError:
            raise table.unusable("url", "its port is no number; write postgresql://USER@HOST:5432/NAME") from None
        return url
    raise table.unusable("url", _url_problem(scheme, mark, rest))


def _sqlite_file(table: Table, file: str) -> str:
    if not file.strip() or file == ":memory:":
        raise table.unusable("url", f"names no file, so nothing would be kept; write {_SQLITE}gylewatch.sqlite")
    if file.startswith("~"):
        raise table.unusable(
            "url", f"no shell reads this, so ~ is no home folder; write the full path, as {_SQLITE}/home/..."
        )
    if "?" in file or file.startswith("file:"):
        raise table.unusable("url", f"takes no options; write the file alone: {_SQLITE}FILE")
    return file


def _url_problem(scheme: str, mark: str, rest: str) -> str:
    if not scheme:
        return f"is empty; write {_URLS}"
    if not mark or rest[:1] in ("", "\\"):
        return f"is no address of a database; for a file write {_SQLITE}FILE"
    if scheme == "sqlite":
        return f"names no file, so nothing would be kept; write {_SQLITE}FILE, with three slashes"
    if scheme == "postgres":
        return "begins with 'postgres'; write postgresql://USER@HOST/NAME"
    return f"begins with {scheme[:40]!r}, which is no database that can be used; write {_URLS}"


def _host_problem(host: str) -> str:
    if not host.strip():
        return "is empty; write the name or address of the machine"
    if re.search(r"\s", host):
        return "holds a blank; write the name or address of the machine alone"
    scheme, mark, rest = host.partition("://")
    if mark:
        return _not_as_url(scheme.lower(), rest)
    if with_port := re.fullmatch(r"([^:/@\[\]]+):(\d{1,5})", host):
        return f"the port has a key of its own: host = {with_port[1]!r}, port = {with_port[2]}"
    if host.startswith("[") and host.endswith("]"):
        return f"write it without brackets: {host[1:-1]}"
    is_one = _is_ipv6(host) or not re.search(r"[:/@\\?#\[\]]", host)
    return "" if is_one else _ALONE


_ALONE: Final = "is no name or address of a machine; write it alone, without scheme, user, path and port"


def _not_as_url(scheme: str, rest: str) -> str:
    place = re.split("[/?#]", rest)[0].rpartition("@")[2]
    name, _, port = place.partition(":")
    said = [f"host = {name!r}"] if name else []
    said += [f"port = {port}"] if port.isdecimal() else []
    said += ["tls = true"] if scheme in _ENCRYPTED else []
    return f"is a URL; write the machine alone: {', '.join(said)}" if said else _ALONE


def _is_ipv6(host: str) -> bool:
    try:
        ipaddress.IPv6Address(host)
    except ValueError:
        return False
    return True
