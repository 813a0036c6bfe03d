"""What to write next at one device: changes with the safe-going first, then set-points, then on.

The device's writable words and coils are all ours (the planner sees to that), so a word is put
together from its points and never read back. Until something was written, and after the device
was lost, its contents count as unknown and everything is written anew, beginning safe. An on/off
output then stays safe until the line has demanded safe once, so that what was demanded before the
loss cannot start a machine by itself; a set-point alone moves nothing and follows the line.

What a device refuses is asked again by the next refresh only, or when the line wants something
else.
Where the device allows, a refresh is read back and compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from linectl.errors import OutOfRange
from linectl.field.asks import Ask
from linectl.image import Value
from linectl.registers.codec import encoder
from linectl.registers.frames import READ_FUNCTIONS, WRITE_COIL, WRITE_REGISTER
from linectl.registers.write_blocks import WriteBlock, plan_writes, write_function
from linectl.site.hardware import Device, Point

SAFE_GOING, SET_POINT, ON_GOING = range(3)


def safe_value(point: Point) -> Value:
    """The output's safe value as its type."""
    if point.is_bool:
        return point.safe != 0
    return point.safe if point.type == "f32" else round(point.safe)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an output lives: cells [first, first + count) of the block, only `mask` of each."""

    index: int
    first: int
    count: int
    mask: int
    is_bool: bool


class _Block:
    """One block's contents: what each point should be, what the device was last told."""

    def __init__(self, block: WriteBlock, points: Sequence[Point]) -> None:
        self.block = block
        self.places: list[_Place] = []
        self.safe: list[tuple[int, ...]] = []
        self.encode = []
        for index in block.points:
            point = points[index]
            is_bit = point.is_bool and point.table == "holding"
            to_cells = encoder(point)
            mask = to_cells(True)[0] if is_bit else 0xFFFF
            first = point.address - block.address
            self.places.append(_Place(index, first, point.words, mask, point.is_bool))
            self.safe.append(to_cells(safe_value(point)))
            self.encode.append(to_cells)
        self.wanted = list(self.safe)
        self.told: list[tuple[int, ...] | None] = [None] * len(self.places)
        self.refused: list[tuple[int, ...] | None] = [None] * len(self.places)
        """What the device has refused and not taken since."""

    def cells(self, take: Sequence[tuple[int, ...]]) -> list[int]:
        """The block's cells with every point as `take` says."""
        cells = [0] * self.block.quantity
        for place, words in zip(self.places, take, strict=True):
            for offset, word in enumerate(words):
                cells[place.first + offset] |= word & place.mask
        return cells


class DeviceOutputs:
    """The outputs of one device; owned by its bus's thread."""

    def __init__(self, name: str, device: Device, points: Sequence[Point]) -> None:
        self.name = name
        self._device = device
        self._blocks = [_Block(block, points) for block in plan_writes(name, device, points)]
        self._tags = {point.index: point.tag for point in points}
        self._held: set[int] = set()
        self._seen: tuple[Value, ...] | None = None
        self.refused = ""
        """The last value that did not fit its register, as text; its safe value went instead."""
        self.forget()

    @property
    def empty(self) -> bool:
        return not self._blocks

    @property
    def all_told(self) -> bool:
        """True if the device has taken every output as it should be."""
        return all(block.told == block.wanted for block in self._blocks)

    @property
    def refused_tags(self) -> list[str]:
        """Outputs whose last write the device has refused."""
        return [
            self._tags[place.index]
            for block in self._blocks
            for place, refused in zip(block.places, block.refused, strict=True)
            if refused is not None
        ]

    def forget(self) -> None:
        """The device was lost: nothing it holds is known, and everything is safe again."""
        self._seen = None
        for block in self._blocks:
            block.wanted = list(block.safe)
            block.told = [None] * len(block.places)
            block.refused = [None] * len(block.places)
            self._hold(block)

    def demand(self, values: tuple[Value, ...] | None) -> None:
        """Take the line's outputs (by image index), or None: everything safe and held there."""
        if values is None:
            self._seen = None
            for block in self._blocks:
                block.wanted = list(block.safe)
                self._hold(block)
            return
        if values is self._seen:
            return
        self._seen = values
        for block in self._blocks:
            for k, place in enumerate(block.places):
                block.wanted[k] = self._cells_of(block, k, place, values[place.index])

    def next_change(self, worst_pass: int = ON_GOING) -> Ask | None:
        """The most urgent request that changes something, or None. Safe-going before all."""
        for which in range(worst_pass + 1):
            for block in self._blocks:
                if ask := self._change(block, which):
                    return ask
        return None

    def refresh(self) -> list[Ask]:
        """Requests that tell the device everything as it should be."""
        return [
            ask
            for block in self._blocks
            for ask in self._asks(block, block.cells(block.wanted), 0, block.block.quantity)
        ]

    def done(self, ask: Ask) -> None:
        """The device has taken `ask`."""
        self._mark(ask, unknown=False)

    def failed(self, ask: Ask) -> None:
        """`ask` may or may not have arrived: its cells are unknown."""
        self._mark(ask, unknown=True)

    def denied(self, ask: Ask) -> None:
        """The device has refused `ask`: it is not asked the same again at once."""
        self._mark(ask, unknown=True)
        for block, k, cells in self._places_of(ask):
            block.refused[k] = cells

    def read_backs(self) -> list[Ask]:
        """Reads of everything that the device was told."""
        asks = []
        for block in self._blocks:
            planned = block.block
            function = READ_FUNCTIONS[planned.table]
            bits = planned.table == "coil"
            limit = self._device.max_read_bits if bits else self._device.max_read_registers
            asks += [
                Ask(self.name, planned.unit, function, planned.address + first, end - first)
                for first, end in _stretches(block.places, limit)
            ]
        return asks

    def compare(self, ask: Ask, cells: Sequence[int]) -> list[str]:
        """Differences between what was told and what `ask` has read back, in words; what differs
        counts as unknown from now on."""
        found = []
        for block, k, read in self._places_of(ask._replace(cells=tuple(map(int, cells)))):
            told = block.told[k]
            if told is None or told == read:
                continue
            block.told[k] = None
            tag = self._tags[block.places[k].index]
            found.append(f"{tag}: written {_words(told)}, reads back {_words(read)}")
        return found

    def _hold(self, block: _Block) -> None:
        self._held.update(place.index for place in block.places if place.is_bool)

    def _cells_of(self, block: _Block, k: int, place: _Place, value: Value) -> tuple[int, ...]:
        try:
            cells = block.encode[k](value)
        except OutOfRange as error:
            self.refused = str(error)
            cells = block.safe[k]
        if place.index in self._held:
            if cells != block.safe[k]:
                return block.safe[k]
            self._held.discard(place.index)
        return cells

    def _change(self, block: _Block, which: int) -> Ask | None:
        first = end = 0
        take: list[tuple[int, ...]] = []
        for k, place in enumerate(block.places):
            wanted, told = block.wanted[k], block.told[k]
            idle = wanted in (told, block.refused[k])
            if idle or self._pass_of(block, k, place) != which:
                take.append(told if told is not None else block.safe[k])
                continue
            take.append(wanted)
            first = place.first if end == 0 else min(first, place.first)
            end = max(end, place.first + place.count)
        if end == 0:
            return None
        cells = block.cells(take)
        return self._asks(block, cells, first, end)[0]

    @staticmethod
    def _pass_of(block: _Block, k: int, place: _Place) -> int:
        if block.wanted[k] == block.safe[k]:
            return SAFE_GOING
        return ON_GOING if place.is_bool else SET_POINT

    def _asks(self, block: _Block, cells: list[int], first: int, end: int) -> list[Ask]:
        planned = block.block
        function = write_function(self._device, planned.table, end - first)
        single = function in (WRITE_COIL, WRITE_REGISTER)
        spans = [(at, at + 1) for at in range(first, end)] if single else [(first, end)]
        return [
            Ask(
                self.name,
                planned.unit,
                function,
                planned.address + start,
                stop - start,
                tuple(cells[start:stop]),
            )
            for start, stop in spans
        ]

    def _mark(self, ask: Ask, unknown: bool) -> None:
        for block, k, cells in self._places_of(ask):
            block.told[k] = None if unknown else cells
            if not unknown:
                block.refused[k] = None

    def _places_of(self, ask: Ask) -> Iterator[tuple[_Block, int, tuple[int, ...]]]:
        """Every output that `ask` covers whole: its block, its place there, its cells in `ask`."""
        for block in self._blocks:
            offset = block.block.address - ask.address
            if block.block.table != ask.table:
                continue
            for k, place in enumerate(block.places):
                first = place.first + offset
                if first >= 0 and first + place.count <= ask.quantity:
                    cells = ask.cells[first : first + place.count]
                    yield block, k, tuple(cell & place.mask for cell in cells)


def _stretches(places: Sequence[_Place], limit: int) -> Iterator[tuple[int, int]]:
    """Stretches of at most `limit` neighbouring cells that part no value."""
    first = end = 0
    for place in places:
        after = place.first + place.count
        if after - first > limit:
            if end > first:
                yield first, end
            first = place.first
        end = after if after - first <= limit else first
    if end > first:
        yield first, end


def _words(cells: tuple[int, ...]) -> str:
    return " ".join(str(cell) for cell in cells)
