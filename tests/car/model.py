"""The car: it warms up and cools down, falls asleep and is woken, loses its gas and gets it back.

Its figures are rough on purpose (common practice, no source): it has to be clearly wrong before it complains.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import exp

AIR_C = 20.0
HOT_C = 88.0
SAFE_TO_OPEN_C = 50.0
"""A cooling system hotter than this stands under pressure: whoever opens it is scalded."""
HEATER_WARM_C = 70.0
STILL_WARM_C = 45.0
"""Below this nobody calls an engine hot from running."""
COOLING_MINUTES = 75.0
"""Time constant of an engine that cools under its bonnet."""
WARMING_C_PER_MINUTE = 7.0
WARMING_UP_MINUTES = 30.0
"""So long after a cold start at most there is a warming up to watch."""
SLEEP_MINUTES = 30.0
"""Control units sleep after 10 to 40 minutes undisturbed; before 30 nobody trusts them to."""
SOAK_MINUTES = 50.0
"""So long gas needs to be as warm as the air everywhere."""
SURFACE_MINUTES = 10.0
"""So long a battery's surface charge needs to go, once it was loaded."""
REST_MINUTES = 180.0
"""So long a battery rests after charging before its voltage says how full it is."""
NIGHT_MINUTES = 400.0
LONG_COOLING_MINUTES = 25.0


@dataclass(frozen=True)
class Complaint:
    """What was done with the car, and why it could not give that, or who would have been hurt."""

    act: str
    why: str
    hurts: bool = False

    def __str__(self) -> str:
        return f"{self.act}: {self.why}{' (somebody is hurt)' if self.hurts else ''}"


@dataclass
class Car:
    """A car in a bay as it is driven in: hot, switched off, awake, wet as its owner left it, full of gas.

    `facts` are those of the vehicle that decide what can be done with it.
    """

    facts: Mapping[str, str] = field(default_factory=dict)
    minutes: float = 0.0
    coolant_c: float = HOT_C
    is_running: bool = False
    is_ignition_on: bool = False
    is_blower_on: bool = False
    is_outdoors: bool = False
    is_on_the_road: bool = False
    is_inhibited: bool = False
    is_ready: bool = False
    cold_start_at: float | None = None
    cooling_since: float | None = None
    stopped_at: float = 0.0
    disturbed_at: float = 0.0
    opened_at: float = 0.0
    charge_changed_at: float = 0.0
    is_as_received: bool = True
    is_charged: bool = False
    is_connected: bool = True
    has_gas: bool = True
    has_gauges: bool = False
    is_carpet_lifted: bool = False
    is_boot_stripped: bool = False
    is_wet_as_found: bool = True
    is_roof_wet: bool = False
    hosed: frozenset[str] = frozenset()
    are_vents_taped: bool = False
    is_coolant_as_found: bool = True
    poisons: bool = False
    complaints: list[Complaint] = field(default_factory=list)

    def twin(self) -> Car:
        """Return the same car, to try something on; it has not complained yet."""
        return replace(self, complaints=[])

    # What happens to it

    def wait(self, minutes: float) -> None:
        """Time goes by, and nobody touches the car."""
        if minutes < 0:
            raise ValueError(f"{minutes} minutes cannot go by")
        if self.is_running:
            self.coolant_c = min(HOT_C, self.coolant_c + WARMING_C_PER_MINUTE * minutes)
        else:
            self.coolant_c = AIR_C + (self.coolant_c - AIR_C) * exp(-minutes / COOLING_MINUTES)
        self.minutes += minutes

    def disturb(self) -> None:
        """Open a door, switch the ignition on or send a key's signal: control units wake."""
        self.disturbed_at = self.minutes

    def open_up(self) -> None:
        """Open the cabin, whose air is then that of the bay."""
        self.disturb()
        self.opened_at = self.minutes

    def reconnect(self) -> None:
        """Put the battery's clamp on again, which wakes every control unit."""
        if not self.is_connected:
            self.is_connected = True
            self.open_up()

    def start(self) -> None:
        """Start the engine: it takes a key, charges the battery and warms everything."""
        if self.is_running:
            return
        self.reconnect()
        self.open_up()
        self.is_inhibited = self.is_as_received = False
        self.is_running = self.is_ignition_on = True
        self.cold_start_at = self.minutes if self.coolant_c <= SAFE_TO_OPEN_C else None
        self.charge_changed_at = self.minutes

    def cool_air(self) -> None:
        """Switch the air conditioning and its blower on."""
        if self.cooling_since is None:
            self.cooling_since = self.minutes
        self.is_blower_on = True

    def switch_off(self) -> None:
        """Take the key out: the engine stops with everything that hangs on it."""
        if self.is_running:
            self.stopped_at = self.charge_changed_at = self.minutes
        if self.is_running or self.is_ignition_on or self.is_blower_on:
            self.open_up()
        self.is_running = self.is_ignition_on = self.is_blower_on = self.is_on_the_road = False
        self.is_ready = False
        self.is_outdoors = False
        self.cold_start_at = self.cooling_since = None

    def pour_water(self) -> None:
        """Pour water over it: what is wet from now on is not what the owner brought."""
        self.is_wet_as_found = False

    # What it is like

    @property
    def is_cold(self) -> bool:
        """Whether its cooling system can be opened."""
        return not self.is_running and self.coolant_c <= SAFE_TO_OPEN_C

    @property
    def is_heating(self) -> bool:
        """Whether its engine runs hot enough to judge a heater."""
        return self.is_running and self.coolant_c >= HEATER_WARM_C

    @property
    def is_warming_up(self) -> bool:
        """Whether its engine was started cold and is not hot for long."""
        start = self.cold_start_at
        return self.is_running and start is not None and self.minutes - start <= WARMING_UP_MINUTES

    @property
    def is_cooling(self) -> bool:
        """Whether its air conditioning runs with gas in the circuit."""
        return self.is_running and self.cooling_since is not None and self.has_gas

    @property
    def has_cooled_long(self) -> bool:
        """Whether its air conditioning has run without a break until frost would show."""
        since = self.cooling_since
        return self.is_cooling and since is not None and self.minutes - since >= LONG_COOLING_MINUTES

    @property
    def is_soaked(self) -> bool:
        """Whether the gas in its circuit is as warm as the air everywhere."""
        return not self.is_running and self.has_gas and self.minutes - self.stopped_at >= SOAK_MINUTES

    @property
    def is_asleep(self) -> bool:
        """Whether its control units have been left alone long enough."""
        alone = self.minutes - self.disturbed_at >= SLEEP_MINUTES
        return alone and self.is_connected and not self.is_running and not self.is_ignition_on

    @property
    def has_no_surface_charge(self) -> bool:
        """Whether the battery has rested since it was charged or loaded."""
        return not self.is_running and self.minutes - self.charge_changed_at >= SURFACE_MINUTES

    @property
    def is_full_and_rested(self) -> bool:
        """Whether the battery was charged and then left alone."""
        rested = self.minutes - self.charge_changed_at >= REST_MINUTES
        return self.is_charged and rested and not self.is_running

    @property
    def has_stood_shut(self) -> bool:
        """Whether the cabin was shut for a night."""
        return self.minutes - self.opened_at >= NIGHT_MINUTES

    def needs(self, act: str, is_so: bool, why: str, *, hurts: bool = False) -> None:
        """Complain unless it is so."""
        if not is_so:
            self.complaints.append(Complaint(act, why, hurts))
