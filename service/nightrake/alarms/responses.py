"""What to do first: the texts that go out with an alarm, with safe defaults. A site puts its own in their place. Pure.

The steps are common practice in the trade (no source); the caution follows OSHA 29 CFR 1910.147 and stands in every
message once, whatever a site writes above it.
"""

from __future__ import annotations

CAUTION = (
    "This is a record and isolates nothing. A stopped rake can hold stored energy: lock out, verify zero energy, "
    "release the wind-up slowly, follow the manufacturer's instructions and local codes, and leave work on the machine "
    "to qualified people."
)
"""Stands once under every first response that may lead somebody to the machine."""

ON_ALARM = (
    "Check the sludge blanket and what has changed in the feed.",
    "Raise the underflow.",
    "Raise the rakes, if the machine can.",
    "Keep it turning, unless you are told otherwise.",
)
ON_SHUTDOWN = (
    "Do not reset, restart, jog or reverse.",
    "See whether it has really stopped.",
    "Call whoever answers for the drive.",
    "Isolate before anybody touches it.",
)
ON_RUNNING_ON = (
    "Stop the motor at its isolator now, by the site's own procedure.",
    "Keep people away from the machine.",
    "Do not reset, restart, jog or reverse.",
    "Call whoever answers for the drive.",
)
ON_NOT_CONFIRMED = (
    "Go and see whether the machine stands still.",
    "If it turns, stop the motor at its isolator by the site's own procedure.",
    "Do not reset, restart, jog or reverse.",
)
ON_LOCKED_OUT_RUNNING = (
    "Stop the motor at its isolator now, by the site's own procedure.",
    "Account for everybody who reported work on it.",
    "Find out who started it and why.",
)
ON_STOPPED = (
    "Find out why it stands: starter, overload relay, supply, somebody's switch.",
    "Do not restart it after a long stand before the load on the rakes is known: settled sludge holds them.",
    "Put the drive in standby here if it is meant to stand.",
)
ON_NO_ACTION = (
    "Treat the torque as real and the protection as not working.",
    "See at the pointer on the device what the torque is.",
    "Take the load off; stop the drive if the torque does not fall.",
    "Have the contact, its wiring and the free movement of the arm looked at before it runs on.",
)
ON_CONTACT_DOUBT = (
    "Take the contact as right until it is shown to be wrong.",
    "See at the pointer on the device what the torque is.",
    "Have contact, wiring and transducer looked at.",
)
ON_DISAGREE = (
    "Take the channel that has operated as right until it is shown to be wrong.",
    "Have the other channel looked at.",
)
ON_TORQUE = (
    "Check the sludge blanket and what has changed in the feed.",
    "Raise the underflow, and be ready to raise the rakes, if the machine can.",
)
ON_UNREADABLE = (
    "Nobody is told now if this drive overloads: have it looked at on the spot until it reads again.",
    "Have wiring, module and transducer looked at.",
)
ON_SILENT = (
    "Nobody is told now if these drives overload: have them looked at on the spot until the PLC answers.",
    "Look at the PLC's supply and the network.",
)
ON_JOURNAL = ("Alarms are still told, but not kept: make room on the disk or have it replaced.",)
ON_BROKER = (
    "Messages do not get through: look at the drives in another way until they do.",
    "Look at the broker and the network.",
)
ON_FORWARDING = ("Have the store and the network looked at; what is missing is sent later.",)
ON_PAGING = (
    "A test call was not answered: an alarm might not be either.",
    "Reach the person in another way, and have the way to them mended.",
)
ON_NOBODY = (
    "No alarm calls anybody until people are in the settings again: somebody stays where alarms are shown.",
    "Put people.toml right and reload it; nightrake check says what is wrong with it.",
)
IN_THE_DAYTIME = ("Nothing now; see to it in working hours.",)
