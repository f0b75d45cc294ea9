"""The data folder: one place for the embedded database, broker, stored files, secrets and logs.

As root, PostgreSQL must run as an unprivileged user who has to reach its files. Where the data folder lies
below a closed folder (a checkout in root's home), the parts of that user move to a random folder below
`SHARED_HOME`, and the data folder remembers where; permissions of folders that are not ours stay untouched.
"""

import hashlib
import os
import pwd
import secrets
import subprocess
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parents[2]
SHARED_HOME = Path("/var/lib/levelbook")
SERVICE_USERS = ("levelbook", "postgres", "nobody")
# sun_path holds 108 bytes with its terminating zero; ".s.PGSQL.5432.lock" is never bound, the socket is.
SOCKET_PATH_LIMIT = 107
LONGEST_SOCKET_NAME = "/.s.PGSQL.5432"


class EmbeddedServiceError(RuntimeError):
    """An embedded service cannot be started; the message says what to do."""


@dataclass(frozen=True)
class DataFolder:
    """Paths below one data folder; folders are made when first asked for."""

    root: Path

    @cached_property
    def service_user(self) -> pwd.struct_passwd | None:
        """Return the user who runs database and broker, or None for the current (ordinary) user."""
        if os.geteuid() != 0:
            return None
        kept = self.root / "service-user"
        names = (kept.read_text().strip(),) if kept.exists() else SERVICE_USERS
        user = next((found for found in map(_user, names) if found is not None), None)
        if user is None:
            raise EmbeddedServiceError(
                f"PostgreSQL refuses to run as root and none of the users {', '.join(names)} exists: "
                "add one (useradd --system levelbook), run as an ordinary user, or set DATABASE_URL."
            )
        if not kept.exists():
            _private_folder(self.root)
            kept.write_text(user.pw_name)
        return user

    @cached_property
    def service_home(self) -> Path:
        """Return the folder whose subfolders belong to the service user."""
        _private_folder(self.root)
        user = self.service_user
        if user is None:
            return self.root
        self.root.chmod(0o711)
        kept = self.root / "service-home"
        if kept.exists():
            return Path(kept.read_text())
        home = self.root if is_reachable(self.root, user) else SHARED_HOME / secrets.token_hex(8)
        if home is not self.root:
            home.mkdir(parents=True, mode=0o711)
            kept.write_text(str(home))
        return home

    @cached_property
    def postgres(self) -> Path:
        return self._service_folder("postgres")

    @cached_property
    def valkey(self) -> Path:
        return self._service_folder("valkey")

    @cached_property
    def sockets(self) -> Path:
        """Return a folder for unix sockets whose path is short enough for the kernel."""
        folder = self.service_home / "sockets"
        if len(os.fsencode(folder)) + len(LONGEST_SOCKET_NAME) > SOCKET_PATH_LIMIT:
            digest = hashlib.sha256(os.fsencode(self.root)).hexdigest()[:16]
            # A predictable name is safe here: a folder that somebody else made is refused.
            folder = Path(f"/tmp/levelbook-{os.geteuid()}-{digest}")  # noqa: S108
        return _private_folder(folder, self.service_user)

    @cached_property
    def run(self) -> Path:
        """Return the folder of lock files."""
        return self._own_folder("run")

    @cached_property
    def logs(self) -> Path:
        return self._own_folder("logs")

    @cached_property
    def files(self) -> Path:
        return self._own_folder("files")

    @cached_property
    def tls(self) -> Path:
        """Return the folder of the local authority and of what it issued."""
        return self._own_folder("tls")

    @cached_property
    def static(self) -> Path:
        return self.root / "static"

    @property
    def prepared(self) -> Path:
        """Return the file that says which code brought tables and static files into place."""
        return self.root / "prepared"

    @property
    def demo_sign_ins(self) -> Path:
        """Return the file that `load_demo` writes last; where it exists the demo is loaded."""
        return self.root / "demo-sign-ins.txt"

    def secret(self, name: str, make: Callable[[], str] = lambda: secrets.token_urlsafe(48)) -> str:
        """Return a secret kept in a 0600 file, generated when first asked for."""
        path = self._own_folder("secrets") / name
        if not path.exists():
            self._write_secret(path, make())
        return self._read_secret(path)

    def _write_secret(self, path: Path, value: str) -> None:
        # Linked into place complete, so that a process starting at the same time never reads half of it.
        unfinished = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
        with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(value)
            file.flush()
            os.fsync(file.fileno())
        with suppress(FileExistsError):
            os.link(unfinished, path)
        unfinished.unlink()

    def _read_secret(self, path: Path) -> str:
        value = path.read_text().strip()
        if len(value) < 32:
            raise EmbeddedServiceError(f"The secret file {path} is empty or cut short: restore it from backup.")
        return value

    def _own_folder(self, name: str) -> Path:
        if not self.root.exists():
            _private_folder(self.root)
        return _private_folder(self.root / name)

    def _service_folder(self, name: str) -> Path:
        return _private_folder(self.service_home / name, self.service_user)


def data_folder() -> DataFolder:
    """Return the data folder named by LEVELBOOK_DATA, `var` in the checkout by default."""
    return DataFolder(Path(os.environ.get("LEVELBOOK_DATA") or CHECKOUT / "var").absolute())


def is_reachable(path: Path, user: pwd.struct_passwd) -> bool:
    """Tell whether the user can enter (a folder) or run (a file) this path, by really trying."""
    command = ["/bin/sh", "-c", 'test -x "$1"', "sh", str(path)]
    answer = subprocess.run(command, cwd="/", user=user.pw_uid, group=user.pw_gid, extra_groups=[], check=False)
    return answer.returncode == 0


def _user(name: str) -> pwd.struct_passwd | None:
    try:
        return pwd.getpwnam(name)
    except KeyError:
        return None


def _private_folder(path: Path, user: pwd.struct_passwd | None = None) -> Path:
    """Make a 0700 folder, or refuse one that somebody else made before us."""
    uid = user.pw_uid if user else os.geteuid()
    try:
        path.mkdir(parents=True, mode=0o700)
    except FileExistsError:
        found = path.stat(follow_symlinks=False)
        if found.st_uid != uid:
            raise EmbeddedServiceError(
                f"{path} belongs to user {found.st_uid}, not to {uid}: start as the user who made the data "
                "folder, or choose another one with LEVELBOOK_DATA."
            ) from None
        return path
    if user:
        os.chown(path, user.pw_uid, user.pw_gid)
    return path
