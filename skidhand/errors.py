"""Every error skidhand raises on purpose, in one tree.

    SkidhandError
    ├── UserError                 somebody can mend it by changing what they gave us     (exit 2)
    │   ├── FleetFileError        the fleet file, with file, line and valid choices
    │   ├── SettingsError         skidhand.toml, environment or flags
    │   ├── InputFileError        a recording, map, scenario or truth file
    │   └── NotFoundError         an id that does not exist here
    ├── OutsideError              something we depend on is away or failed                (exit 3)
    │   ├── BrokerError
    │   ├── StoreError
    │   │   ├── StoreConflictError    another writer was first; read again and retry
    │   │   └── StoreRefusedError     the rows themselves are not taken, others may be
    │   ├── LogbookError
    │   └── ChannelError          a message could not be handed over, and may be later
    │       └── ChannelRefusedError   it was refused for good
    └── IntegrityError            going on would damage data, so we refuse                (exit 3)
        ├── ClockMismatchError    wall and stream time would be mixed
        ├── WriterMismatchError   two spools claim one writer id
        ├── SchemaError           the logbook or store is newer than this program
        └── PluginError           two plug-ins with one name, or one that lacks a method

A foreign library's exception is turned into one of these where the library is called, chained with
``from``. Messages say what was wrong, where, and what would be valid.
"""

from __future__ import annotations


class SkidhandError(Exception):
    """Root of all errors raised on purpose; ``exit_code`` is what a command ends with."""

    exit_code = 3


class UserError(SkidhandError):
    """Somebody can mend it by changing what they gave us."""

    exit_code = 2


class FleetFileError(UserError):
    """The fleet file is wrong; the message names file, line, value and the valid choices."""


class SettingsError(UserError):
    """A setting is wrong; the message names it and where it came from."""


class InputFileError(UserError):
    """A recording, map, scenario or truth file is wrong."""


class NotFoundError(UserError):
    """Something was named that is not here; the message lists what is."""


class OutsideError(SkidhandError):
    """Something we depend on is away or failed; trying again later may help."""


class BrokerError(OutsideError):
    """The MQTT broker refused or cannot be reached."""


class StoreError(OutsideError):
    """The time-series store refused or cannot be reached."""


class StoreConflictError(StoreError):
    """Another writer was first; read again and retry."""


class StoreRefusedError(StoreError):
    """The engine is there and does not take these rows: sent again as they are, they will be refused again."""


class LogbookError(OutsideError):
    """The logbook database refused or cannot be reached."""


class ChannelError(OutsideError):
    """A message could not be handed over; trying again later may help."""


class ChannelRefusedError(ChannelError):
    """A message was refused for good: sent again as it is, it will be refused again. Another channel may take it."""


class IntegrityError(SkidhandError):
    """Going on would damage data, so we refuse."""


class ClockMismatchError(IntegrityError):
    """Wall and stream time would be mixed in one store or logbook."""


class WriterMismatchError(IntegrityError):
    """Two spools claim one writer id, or a spool was restored from a copy."""


class SchemaError(IntegrityError):
    """The logbook or store was written by a newer or unfinished version of this program."""


class PluginError(IntegrityError):
    """Two plug-ins share a name, or one lacks a part of its protocol."""
