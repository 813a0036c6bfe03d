"""All cross-checks of a site's files, run on whatever could be read of them."""

from __future__ import annotations

from linectl.site import (
    check_addresses,
    check_alarms,
    check_calibration,
    check_causes,
    check_coverage,
    check_devices,
    check_geometry,
    check_interlocks,
    check_lanes,
    check_names,
    check_notation,
    check_outputs,
    check_parameters,
    check_reads,
    check_supplies,
    check_tags,
    check_timers,
    check_tuning,
    check_zones,
)
from linectl.site.draft import Draft, Findings

CHECKS = (
    check_names.check,
    check_zones.check,
    check_tags.check,
    check_notation.check,
    check_addresses.check,
    check_devices.check,
    check_parameters.check,
    check_outputs.check,
    check_reads.check,
    check_timers.check,
    check_tuning.check,
    check_geometry.check,
    check_lanes.check,
    check_interlocks.check,
    check_alarms.check,
    check_causes.check,
    check_coverage.check,
    check_supplies.check,
    check_calibration.check,
)


def cross_check(draft: Draft) -> Findings:
    """What the files say that does not fit together."""
    say = Findings()
    for check in CHECKS:
        check(draft, say)
    return say
