"""One SSH connection to a far box whose host key is pinned, and the SFTP channels on it.

Every exception of the SSH library is translated here, at the call that raises it. No agent, no known_hosts, no
password: one key in a file, one host key in the settings.
"""

from __future__ import annotations

import base64
import contextlib
import logging
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import paramiko

from otherroof.base.errors import (
    FarTrouble,
    HostKeyChanged,
    LinkLost,
    LoginRefused,
    OtherroofError,
    Unreached,
    WrongSettings,
)
from otherroof.far.place import Meter
from otherroof.far.ssh_limits import BoundedSocket, BoundedTransport

# The first is the quickest by far if the processor has AES instructions; the rest is for those that lack it.
CIPHERS = ("aes128-gcm@openssh.com", "aes256-gcm@openssh.com", "aes128-ctr", "aes256-ctr")
# A request that wants no answer. It keeps the entry in a router's table alive while the far disk is busy, and makes TCP
# notice a line that is gone; a far box that is merely silent is noticed by `answer_s`.
KEEPALIVE_S = 15
DYING_S = 0.5  # how long a connection may take to know that it is broken
CONGESTION = b"bbr"  # keeps its rate on a lossy line on which cubic halves it; used if the kernel has it

# The library logs a traceback for what it raises as well. All of it is translated here, and told in one line.
logging.getLogger("paramiko").setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True, slots=True)
class SshTarget:
    """Where the far box is and how both sides prove themselves.

    `host_key` is the pinned one, as a known_hosts file has it: kind, then base64. `answer_s`: the longest wait for it.
    """

    address: str
    port: int
    account: str
    key_path: str
    host_key: str
    answer_s: float = 60.0

    @property
    def shown_as(self) -> str:
        """For messages: address and port."""
        return f"{self.address}:{self.port}"


class Session:
    """An open connection: the host key was proved and our key let in."""

    def __init__(self, target: SshTarget, transport: paramiko.Transport, sock: socket.socket) -> None:
        self.target = target
        self.transport = transport
        self.sock = sock

    def open_channel(self) -> paramiko.Channel:
        """A channel with the SFTP subsystem started on it. Raises FarTrouble if it is not offered, or LinkLost."""
        with as_link_lost(self.target, self.transport):
            channel = self.transport.open_session(timeout=self.target.answer_s)
        channel.settimeout(self.target.answer_s)
        if isinstance(self.transport.sock, BoundedSocket):
            self.transport.sock.keep_watch(channel)
        # `settimeout` is for sending and receiving; the answer to a request for a subsystem has no time-out, and the
        # library would wait without end. Closing the channel wakes whoever waits for it.
        overdue = threading.Event()

        def give_up() -> None:
            overdue.set()  # before the closing, at which it is asked for
            _close(channel)

        watch = threading.Timer(self.target.answer_s, give_up)
        watch.daemon = True
        watch.start()
        try:
            channel.invoke_subsystem("sftp")
        except Exception as problem:  # see `as_link_lost`
            _close(channel)
            raise self._no_sftp(overdue.is_set(), problem) from problem
        finally:
            watch.cancel()
        return channel

    def _no_sftp(self, overdue: bool, problem: Exception) -> OtherroofError:
        """Why SFTP did not start: not offered, or the connection broke (which may show only a moment later)."""
        if overdue:
            return _silent(self.target, self.target.answer_s)
        # The library's thread reads the end of the connection a little later than we are told that the request failed.
        self.transport.join(DYING_S)
        if not self.transport.is_active():
            return _broken(self.target, _behind(self.transport, problem))
        advice = "the line `Subsystem sftp internal-sftp` is missing in its sshd_config"
        return FarTrouble("lets this home in, but takes no files (no SFTP)", where=self.target.shown_as, advice=advice)

    def why_ended(self) -> str:
        """Why nothing comes any more, in a few words."""
        met = _behind(self.transport, EOFError())
        return _words_of(met)

    def close(self) -> None:
        """Hang up."""
        hang_up(self.sock)
        with contextlib.suppress(OSError, EOFError):
            self.transport.close()
        self.sock.close()


def _close(channel: paramiko.Channel) -> None:
    # It says so over the connection, which may be what has just ended.
    with contextlib.suppress(OSError, EOFError, paramiko.SSHException):
        channel.close()


def hang_up(sock: socket.socket) -> None:
    """End a connection, also one that is only being opened: whoever waits for it, in any thread, is told at once. The
    library's own thread would look only ten times a second whether it is to end."""
    with contextlib.suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)


@contextmanager
def as_link_lost(target: SshTarget, transport: paramiko.Transport | None = None) -> Iterator[None]:
    """Turn what a broken or silent connection raises into LinkLost.

    If the connection has ended, what its `transport` met is told instead of that there is none any more.
    """
    # Any exception: the library's thread keeps whatever it met in a packet that makes no sense, an IndexError or a key
    # that it looked up in vain, and raises it in the thread of whoever asks next.
    try:
        yield
    except OtherroofError:
        raise
    except TimeoutError as problem:
        raise _silent(target, target.answer_s) from problem
    except Exception as problem:
        raise _broken(target, _behind(transport, problem)) from problem


def _behind(transport: paramiko.Transport | None, problem: Exception) -> Exception:
    """What ended the connection, if it has ended and the library knows; else the problem itself."""
    met = transport.saved_exception if transport is not None and not transport.is_active() else None
    return met if isinstance(met, Exception) else problem


def _silent(target: SshTarget, seconds: float) -> LinkLost:
    return LinkLost(f"did not answer within {seconds:g} s", where=target.shown_as)


def _broken(target: SshTarget, problem: BaseException) -> LinkLost:
    return LinkLost(f"the connection broke ({_words_of(problem)})", where=target.shown_as)


def _words_of(problem: BaseException) -> str:
    if isinstance(problem, paramiko.SSHException | EOFError | OSError):
        return str(problem) or "closed by the far box"
    return "the far box sent something that is not SSH"


def open_session(target: SshTarget, meter: Meter, begun: Callable[[socket.socket], None] = lambda _: None) -> Session:
    """Connect, prove the far box's host key, and log in. `begun` is told of the connection as soon as there is one, so
    that somebody else can hang up meanwhile.

    Raises Unreached, HostKeyChanged or LoginRefused; WrongSettings if our own key cannot be read.
    """
    key = read_login_key(target.key_path)
    sock = connect(target)
    begun(sock)
    transport = negotiate(target, sock, meter)
    try:
        prove_host_key(target, transport)
        log_in(target, transport, key)
    except BaseException:
        transport.close()
        sock.close()
        raise
    return Session(target, transport, sock)


def connect(target: SshTarget) -> socket.socket:
    """A TCP connection to the far box. Raises Unreached saying whether it was refused or silent."""
    try:
        sock = socket.create_connection((target.address, target.port), timeout=target.answer_s)
    except TimeoutError as problem:
        raise Unreached(f"no answer within {target.answer_s:g} s", where=target.shown_as) from problem
    except ConnectionRefusedError as problem:
        raise Unreached(
            "the machine answers but nothing listens there", where=target.shown_as, advice="check that sshd runs on it"
        ) from problem
    except OSError as problem:
        raise Unreached(f"cannot be reached: {problem.strerror or problem}", where=target.shown_as) from problem
    # Requests are gathered in `SftpChannel`. Without this the kernel would hold each back until the last was
    # acknowledged.
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    with contextlib.suppress(OSError):  # only a kernel that has it says yes, and the copy works without
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, CONGESTION)
    return sock


def read_login_key(path: str) -> paramiko.PKey:
    """Our private key. Raises WrongSettings."""
    try:
        return paramiko.PKey.from_path(path)
    except (OSError, ValueError, TypeError, paramiko.SSHException) as problem:
        raise WrongSettings(
            f"is not a private key that can be used ({problem})", where=path, advice="an OpenSSH key without a password"
        ) from problem


def negotiate(target: SshTarget, sock: socket.socket, meter: Meter) -> paramiko.Transport:
    """Speak SSH over `sock` and agree on keys; nothing is proved or said yet. Closes `sock` if it fails.

    Raises LinkLost if the connection broke or nothing was said, Unreached if no SSH is spoken, HostKeyChanged if no key
    of the pinned kind is there.
    """
    kind = target.host_key.split()[0]
    # The kind of a key and the way it signs have different names for RSA (RFC 8332 §3): `ssh-rsa` as a way to sign is
    # SHA-1, which servers of today refuse. Only the pinned kind is offered, else a far box with several keys might show
    # another.
    kinds = ("rsa-sha2-512", "rsa-sha2-256") if kind == "ssh-rsa" else (kind,)
    bounded = BoundedSocket(sock, meter)
    # The library's own defaults for window (2 MiB) and packet (32 kB) are those of OpenSSH.
    transport = BoundedTransport(bounded)
    try:
        options = transport.get_security_options()
        options.ciphers = [cipher for cipher in CIPHERS if cipher in options.ciphers]
        options.key_types = kinds
        transport.banner_timeout = transport.auth_timeout = transport.handshake_timeout = target.answer_s
        transport.clear_to_send_timeout = target.answer_s
        # Longer than the time-outs above, because the library does not say when this one has run out.
        transport.start_client(timeout=2 * target.answer_s + 1)
    except paramiko.ssh_exception.IncompatiblePeer as problem:
        # No common way to sign means that the far box has no key of the pinned kind any more.
        transport.close()
        sock.close()
        raise HostKeyChanged(
            f"no longer shows a host key of the pinned kind {kind} ({problem})",
            where=target.shown_as,
            advice=CHANGED_KEY_ADVICE,
        ) from problem
    except Exception as problem:  # see `as_link_lost`
        transport.close()
        sock.close()
        raise _no_agreement(target, transport, bounded, problem) from problem
    # Here the library has stopped waiting and says nothing about it.
    if not transport.initial_kex_done:
        transport.close()
        sock.close()
        raise _silent(target, 2 * target.answer_s + 1)
    transport.set_keepalive(KEEPALIVE_S)
    return transport


def _no_agreement(
    target: SshTarget, transport: paramiko.Transport, bounded: BoundedSocket, problem: Exception
) -> Unreached:
    """Why no keys were agreed on: a server that is killed or overrun hangs up, and is worth another try."""
    # The version line came, then nothing: the library's own time-out shows as an end of file that never was one.
    if transport.remote_version and isinstance(problem, EOFError) and not bounded.hung_up:
        return _silent(target, target.answer_s)
    if transport.remote_version:
        return _broken(target, problem)
    advice = "check the port, and what the router forwards it to"
    if bounded.hung_up and not bounded.heard:
        return LinkLost("took the connection and closed it at once", where=target.shown_as, advice=advice)
    if not bounded.heard:
        # The kernel over there takes connections for a server that hangs, for instance on a disk that does not answer.
        hangs = "if it has worked before, its SSH server or a disk of it may hang: have it switched off and on there"
        return LinkLost("took the connection and said nothing", where=target.shown_as, advice=f"{hangs}; else {advice}")
    return Unreached(
        f"something listens there but does not speak SSH ({problem})", where=target.shown_as, advice=advice
    )


CHANGED_KEY_ADVICE = (
    "nothing was sent: either the far box was set up anew or the address now leads to another machine, or somebody "
    "stands in between; ask who looks after it, compare `ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub` there, "
    "and only then change host_key in the settings"
)


def prove_host_key(target: SshTarget, transport: paramiko.Transport) -> None:
    """Raises HostKeyChanged unless the far box holds the pinned key."""
    # That the far box holds the private half was proved in the key exchange, by its signature over everything both
    # sides had said (RFC 4253 §8). Which key it is, is compared here, before our account and key are named to it.
    shown = transport.get_remote_server_key()
    if shown.asbytes() != base64.b64decode(target.host_key.split()[1]):
        raise HostKeyChanged(
            f"shows the host key {shown.fingerprint}, which is not the pinned one",
            where=target.shown_as,
            advice=CHANGED_KEY_ADVICE,
        )


def log_in(target: SshTarget, transport: paramiko.Transport, key: paramiko.PKey) -> None:
    """Raises LoginRefused, or LinkLost if the connection breaks meanwhile."""
    begun = time.monotonic()
    try:
        more = transport.auth_publickey(target.account, key)
    except paramiko.AuthenticationException as problem:
        # The library says the same of a refusal, of a connection that broke, and of an answer that never came.
        if not transport.is_active():
            raise _broken(target, transport.get_exception() or problem) from problem
        if time.monotonic() - begun >= transport.auth_timeout:
            raise _silent(target, transport.auth_timeout) from problem
        raise LoginRefused(
            f"proved its host key but does not let {target.account!r} in with our key",
            where=target.shown_as,
            advice="check the account's name and that its authorized_keys holds the public half of login_key",
        ) from problem
    except Exception as problem:  # see `as_link_lost`
        raise _broken(target, _behind(transport, problem)) from problem
    if more:
        raise LoginRefused(
            f"took our key for {target.account!r} and asks for more than a key ({', '.join(more)})",
            where=target.shown_as,
            advice="its sshd must let this account in with the key alone (`AuthenticationMethods`)",
        )
    if isinstance(transport.sock, BoundedSocket):
        transport.sock.let_in()
