"""What a train of buzzer edges says, told by the length of its pulses.

tests/rig/board.toml gives each sound a length of its own, so that a pulse is
known however it is shifted in time.
"""

# Shortest pulse of each sound, in seconds; half way between neighbours.
SOUNDS = [(0.0, "NOTICE"), (0.09, "chirp"), (0.16, "CAUTION"), (0.25, "WARNING"),
          (0.5, "fault"), (1.0, "DANGER")]

# How long each of them sounds. A new sound begins at once: if the one before sounds just
# then, both are one pulse, which ends so long after the new one began.
ON_S = {"NOTICE": 0.06, "CAUTION": 0.2, "WARNING": 0.3, "fault": 0.7}


def pulses(levels, end_s):
    """(start, length) of every pulse in `levels`, a list of (time_s, on)."""
    found, since = [], None
    for at, on in levels + [(end_s, False)]:
        if on and since is None:
            since = at
        elif not on and since is not None:
            found.append((since, at - since))
            since = None
    return found


def sound_of(length_s):
    return [name for shortest, name in SOUNDS if length_s >= shortest][-1]


def story(levels, end_s):
    """[(time_s, sound)]: when each sound began. A pulse that the next sound
    cut short has a length of its own, so one pulse alone counts only if steady. DANGER
    has no end to tell its begin by, which may be told up to 0.3 s too early."""
    told, before = [], None
    for start, length in pulses(levels, end_s):
        sound = sound_of(length)
        start += max(length - ON_S.get(sound, length), 0.0)
        if sound == "DANGER":
            if not told or told[-1][1] != sound:
                told.append((start, sound))
        elif before and before[1] == sound and (not told or told[-1][1] != sound):
            told.append(before)
        before = (start, sound)
    return told
