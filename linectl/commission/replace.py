"""A device put in the place of another: begun, read back against the record, confirmed.

What is confirmed is that it is the right kind of device and set as declared. That its wires are on
the right terminals is shown by checkout alone, which is open again for every point of it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

from linectl import __version__
from linectl.commission.changes_record import append_change
from linectl.commission.checkout.record import checkout_standing
from linectl.commission.device_record import DeviceAct, append_act, known, pending
from linectl.commission.field_record import GOOD, field_standing, rests_on
from linectl.commission.read_back import ReadBack, identity_differences
from linectl.commission.site_change import Reopened, Words, record_of
from linectl.errors import UsageError
from linectl.site.model import Site


@dataclass(frozen=True)
class Compared:
    """A device read back, held against the record."""

    read: ReadBack
    before: DeviceAct | None
    """None: nobody has put the device that stood there on record."""

    @property
    def differences(self) -> tuple[str, ...]:
        """Of the identification, object by object."""
        if self.before is None:
            return ()
        return identity_differences(self.before.said, self.read)

    @property
    def to_accept(self) -> tuple[str, ...]:
        """What a person must say yes to before the device counts as the right one."""
        if self.before is None:
            return (f"nothing is on record to compare {self.read.device} with",)
        return self.differences


def begin(site: Site, device: str, words: Words) -> bool:
    """From now on the device must not be driven; False if that was so already.

    On the disk before anything is asked of it. Raises what `append_act` does.
    """
    if pending(site, device) is not None:
        return False
    append_act(Path(site.folder), _act(site, device, "begun", None, "", words))
    return True


def compared(site: Site, read: ReadBack) -> Compared:
    """What was read, and what is on record."""
    return Compared(read, known(site, read.device))


def learn(site: Site, read: ReadBack, words: Words) -> None:
    """The device that stands there goes on record. Raises UsageError if its parameters are wrong
    or a replacement of it is under way."""
    if (begun := pending(site, read.device)) is not None:
        raise UsageError(
            f"a replacement of {read.device} was begun by {begun.by}: confirm it first, without"
            " --learn"
        )
    _refuse_wrong(read)
    append_act(Path(site.folder), _act(site, read.device, "learned", read, "", words))


def confirm(site: Site, found: Compared, words: Words) -> tuple[str, ...]:
    """The device may be driven again, and every point of it is to be checked out anew.

    Returns those points' tags. changes.csv first: a device is never confirmed while its old
    checkouts still count. Raises UsageError if its parameters are wrong.
    """
    _refuse_wrong(found.read)
    tags = tags_of(site, found.read.device)
    append_change(Path(site.folder), record_of(site, words, tags))
    differs = "; ".join(found.to_accept)
    append_act(
        Path(site.folder), _act(site, found.read.device, "confirmed", found.read, differs, words)
    )
    return tags


def tags_of(site: Site, device: str) -> tuple[str, ...]:
    """Every point of a device."""
    return tuple(point.tag for point in site.points if point.device == device)


def rests_on_device(site: Site, device: str, today: dt.date) -> Reopened:
    """What is to be done anew when that device is another one."""
    tags = set(tags_of(site, device))
    standing = checkout_standing(site)
    tried = tuple(one.point.tag for one in standing.points if one.tries and one.point.tag in tags)
    resting = rests_on(site)
    tests = tuple(
        one.cause
        for one in field_standing(site, today).causes
        if one.state in GOOD and resting[one.cause] & tags
    )
    return Reopened(tried, tests, ())


def _refuse_wrong(read: ReadBack) -> None:
    if read.wrong:
        listed = "; ".join(setting.text for setting in read.wrong)
        raise UsageError(f"{read.device} is not set as declared: {listed}")


def _act(
    site: Site, device: str, act: str, read: ReadBack | None, differs: str, words: Words
) -> DeviceAct:
    return DeviceAct(
        at=dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        device=device,
        act=act,
        identity=read.identity_text if read is not None else "",
        parameters=read.parameters_text if read is not None else "",
        differs=differs,
        why=words.why,
        by=words.by,
        site_digest=site.digest,
        version=__version__,
    )
