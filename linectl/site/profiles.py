"""Device profiles: what is true of a kind of device, written once and used by every site.

    devices:
      belt: {profile: profiles/belt.yaml, bus: drives, unit: 11, silent_after: 400ms}

A profile is a YAML file whose keys stand under the device's own as defaults: limits, notation,
ranges, turnaround. `linectl find` writes one from what it measured; a person corrects it from the
manual. Beside them it may hold what is only for people: `found`, `identification`, `tables`.
A wrong key is told with the profile's own file and line.
"""

from __future__ import annotations

from pathlib import Path

from linectl.errors import Finding
from linectl.site.sheet import Key, Node, TreePath, dotted, merge, read_yaml

FOR_PEOPLE = ("found", "identification", "tables")
"""Keys of a profile that say where it comes from; no site reads them."""

OF_ONE_DEVICE = ("bus", "unit", "profile")
"""Keys that say which device it is: they belong to the site, not to its kind."""


def with_profiles(tree: Node, folder: Path, findings: list[Finding]) -> Node:
    """The tree of site.yaml with each device's profile under its own keys.

    folder: the site's, from which the tree's file names are seen. The resolved tree has no
    `profile` any more: written out or in a profile, it is the same site.
    """
    devices = tree.child("devices")
    if devices is None or not isinstance(devices.value, dict):
        return tree
    made = {
        name: _resolved(device, folder, ("devices", name), findings)
        for name, device in devices.value.items()
    }
    value = tree.value | {"devices": Node(made, devices.file, devices.line)}
    return Node(value, tree.file, tree.line)


def _resolved(device: Node, folder: Path, path: TreePath, findings: list[Finding]) -> Node:
    named = device.child("profile")
    if named is None or not isinstance(named.value, str):
        return device  # not text: the schema says so
    own = {key: node for key, node in device.value.items() if key != "profile"}
    beside = (folder / named.file).parent
    # Findings name the profile as seen from the site's folder, as they do an extended site.
    shown = (Path(named.file).parent / named.value).as_posix()
    file = beside / named.value
    if not file.is_file():
        text = f"there is no profile {named.value!r} beside {named.file}"
        findings.append(
            Finding(named.file, named.line, dotted((*path, "profile")), text, _in(file))
        )
        return Node(own, device.file, device.line)
    profile = read_yaml(file, shown, findings)
    for key in OF_ONE_DEVICE:
        if (wrong := profile.child(key)) is not None:
            text = "belongs to one device of a site, not to a profile"
            hint = "write it in site.yaml, under the device"
            findings.append(Finding(wrong.file, wrong.line, key, text, hint))
    _same_notation(profile, own, findings)
    facts = {
        key: node
        for key, node in profile.value.items()
        if key not in FOR_PEOPLE and key not in OF_ONE_DEVICE
    }
    under = Node(facts, profile.file, profile.line)
    return merge(under, Node(own, device.file, device.line), findings, path)


def _same_notation(profile: Node, own: dict[Key, Node], findings: list[Finding]) -> None:
    """Ranges in a profile mean other addresses where the device counts otherwise: off by one."""
    theirs, ours = profile.child("notation"), own.get("notation")
    ranges = [key for key in ("readable", "holes") if profile.child(key) is not None]
    counted = "protocol" if theirs is None else theirs.value
    if ours is not None and ranges and ours.value != counted:
        text = (
            f"is {ours.value!r}, but {profile.file} writes its {' and '.join(ranges)} in {counted} "
            "numbers: they would be off by one"
        )
        hint = "write both alike; leave the key out here to take the profile's"
        findings.append(Finding(ours.file, ours.line, "notation", text, hint))


def _in(file: Path) -> str | None:
    """A hint that lists the profiles where this one was looked for, if there are any."""
    names = sorted(one.name for one in file.parent.glob("*.yaml"))
    return "files there: " + ", ".join(names) if names else None
