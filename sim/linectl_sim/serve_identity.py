"""Device identification, function 2Bh with MEI type 0Eh: who a served device says it is.

Source: MODBUS Application Protocol V1.1b3 (2012), 6.21. The response example printed there has
wrong length bytes and serves nobody as a vector.
"""

from __future__ import annotations

from linectl_sim.line_devices import (
    ILLEGAL_ADDRESS,
    ILLEGAL_FUNCTION,
    ILLEGAL_VALUE,
    RefusalError,
)

IDENTIFICATION = 0x2B
MEI_IDENTIFICATION = 0x0E
BASIC, REGULAR, EXTENDED, INDIVIDUAL = 1, 2, 3, 4
_CONFORMITY = 0x81
"""Basic objects, as a stream and one by one."""
VENDOR = "linectl model"
REVISION = "1.0"
OBJECT_BYTES_MAX = 60
"""A longer name is cut: three objects always fit into one answer."""


def identify(pdu: bytes, product: str) -> bytes:
    """The answer to an identification request. Raises RefusalError."""
    if len(pdu) < 2 or pdu[1] != MEI_IDENTIFICATION:
        raise RefusalError(ILLEGAL_FUNCTION)
    if len(pdu) != 4 or pdu[2] not in (BASIC, REGULAR, EXTENDED, INDIVIDUAL):
        raise RefusalError(ILLEGAL_VALUE)
    code, first = pdu[2], pdu[3]
    objects = [text.encode()[:OBJECT_BYTES_MAX] for text in (VENDOR, product, REVISION)]
    if code == INDIVIDUAL:
        if first >= len(objects):
            raise RefusalError(ILLEGAL_ADDRESS)
        chosen = [first]
    else:
        chosen = list(range(first if first < len(objects) else 0, len(objects)))
    listed = b"".join(bytes((at, len(objects[at]))) + objects[at] for at in chosen)
    return bytes((*pdu[:3], _CONFORMITY, 0, 0, len(chosen))) + listed
