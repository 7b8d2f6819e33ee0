"""A DICOM storage service: takes what scanners and archives send and files it by series.

It binds to the loopback address unless told otherwise. Objects are kept byte for byte in the syntax they come in;
one that is not whole, or nonsense, is refused and never filed. No identity is logged.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Self

from attrs import define, field, frozen
from pynetdicom import AE, AllStoragePresentationContexts, _config, evt
from pynetdicom.presentation import PresentationContext
from pynetdicom.sop_class import Verification

from planner_core.errors import PlannerError
from planner_core.exchange.inbox import MOST_OBJECT_BYTES, DiskFullError, Inbox

LOOPBACK = "127.0.0.1"
DEFAULT_TITLE = "PLUMBLINE"

QUIET_S = 60.0
"""A sender that says nothing for so long is let go (our choice)."""

MOST_ASSOCIATIONS = 8
"""Senders at a time (our choice)."""

TRANSFER_SYNTAXES = (
    "1.2.840.10008.1.2.1", "1.2.840.10008.1.2", "1.2.840.10008.1.2.2", "1.2.840.10008.1.2.1.99",
    "1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.4.81", "1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.4.91",
    "1.2.840.10008.1.2.4.70", "1.2.840.10008.1.2.4.57", "1.2.840.10008.1.2.5", "1.2.840.10008.1.2.4.50",
    "1.2.840.10008.1.2.4.51", "1.2.840.10008.1.2.4.201", "1.2.840.10008.1.2.4.202", "1.2.840.10008.1.2.4.203",
)  # fmt: skip
"""Taken as they come (PS3.6 A): everything that the import reads."""

SUCCESS, OUT_OF_RESOURCES, CANNOT_UNDERSTAND = 0x0000, 0xA700, 0xC000
"""Status of a C-STORE (PS3.4 B.2.3)."""


@frozen
class ReceivedSeries:
    """One series as it is in the inbox after a sender has gone."""

    folder: Path
    study_uid: str
    series_uid: str
    received: int
    orderly: bool
    """The sender said goodbye; otherwise the connection was cut and slices may be missing."""


@define(eq=False)
class _Association:
    bytes_since_object: int = 0
    series: dict[tuple[str, str], Path] = field(factory=dict)
    counts: Counter[tuple[str, str]] = field(factory=Counter)


@define(eq=False)
class StorageService:
    """Receives objects over DICOM (C-ECHO, C-STORE) into an inbox, until it is stopped.

    Parameters
    ----------
    inbox : Inbox
    port : int
        0 takes any free one; `port` then says which.
    host : str
        Address to listen on; other computers reach the service only if it is not the loopback address.
    title : str
        Application entity title, 1 to 16 characters.
    on_series : callable or None
        Called with a `ReceivedSeries` for each series of a sender that has gone; from the service's own thread.
    """

    inbox: Inbox
    port: int = 0
    host: str = LOOPBACK
    title: str = DEFAULT_TITLE
    on_series: Callable[[ReceivedSeries], None] | None = None
    stored: int = field(default=0, init=False)
    refused: int = field(default=0, init=False)
    _server: Any = field(default=None, init=False)
    _associations: dict[int, _Association] = field(factory=dict, init=False)
    _lock: threading.Lock = field(factory=threading.Lock, init=False, repr=False)

    def start(self) -> Self:
        """Listen.

        Raises
        ------
        PlannerError
            If the port is taken or the address is none of this computer's.
        """
        _config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False
        if not 0 < len(self.title.strip()) <= 16 or not self.title.isascii():
            raise PlannerError(f"{self.title!r} is no application entity title.", "Give 1 to 16 plain characters.")
        entity = AE(ae_title=self.title)
        entity.supported_contexts = storage_contexts()
        entity.add_supported_context(Verification)
        entity.maximum_associations = MOST_ASSOCIATIONS
        entity.network_timeout = entity.dimse_timeout = entity.acse_timeout = QUIET_S
        handlers = [
            (evt.EVT_CONN_OPEN, _guard),
            (evt.EVT_C_STORE, self._store),
            (evt.EVT_DATA_RECV, self._count),
            (evt.EVT_CONN_CLOSE, self._gone),
        ]
        try:
            self._server = entity.start_server((self.host, self.port), block=False, evt_handlers=handlers)
        except (OSError, OverflowError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise PlannerError(
                f"The service cannot listen on {self.host} port {self.port} ({reason}).", "Choose another port."
            ) from error
        self.port = int(self._server.server_address[1])
        return self

    def stop(self) -> None:
        """Stop listening and let every sender go; what was received stays."""
        if self._server is not None:
            self._server.shutdown()
            self._server = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _of(self, event: Any) -> _Association:
        with self._lock:
            return self._associations.setdefault(id(event.assoc), _Association())

    def _count(self, event: Any) -> None:
        """Let a sender go that sends more than any object can be."""
        association = self._of(event)
        association.bytes_since_object += len(event.data)
        if association.bytes_since_object > MOST_OBJECT_BYTES:
            event.assoc.abort()

    def _store(self, event: Any) -> int:
        """Answer a C-STORE request."""
        association = self._of(event)
        association.bytes_since_object = 0
        try:
            filed = self.inbox.file_object(bytes(event.encoded_dataset()))
        except DiskFullError:
            self.refused += 1
            return OUT_OF_RESOURCES
        except Exception:  # nonsense must never end the service
            self.refused += 1
            return CANNOT_UNDERSTAND
        with self._lock:
            key = (filed.study_uid, filed.series_uid)
            association.series[key] = filed.path.parent
            association.counts[key] += 1
            self.stored += 1
        return SUCCESS

    def _gone(self, event: Any) -> None:
        """Say which series a sender has left in the inbox."""
        with self._lock:
            association = self._associations.pop(id(event.assoc), None)
        if association is None or self.on_series is None:
            return
        orderly = bool(event.assoc.is_released)
        for (study, series), folder in association.series.items():
            with suppress(Exception):  # a listener's fault is not the sender's
                self.on_series(ReceivedSeries(folder, study, series, association.counts[(study, series)], orderly))


def _guard(event: Any) -> None:
    """Let a sender's nonsense end its own association only: pynetdicom lets some errors out of its thread."""
    association = event.assoc
    react = association.dul.run

    def guarded() -> None:
        try:
            react()
        except Exception:
            association.is_aborted, association.is_established = True, False
            association._kill = association.dul._kill_thread = True
            with suppress(Exception):
                association.dul.socket.close()

    association.dul.run = guarded


def storage_contexts() -> list[PresentationContext]:
    """Give every storage class with every syntax that the import reads."""
    contexts = []
    for known in AllStoragePresentationContexts:
        context = PresentationContext()
        context.abstract_syntax = known.abstract_syntax
        context.transfer_syntax = list(TRANSFER_SYNTAXES)
        contexts.append(context)
    return contexts
