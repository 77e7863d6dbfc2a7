"""What a train of buzzer edges says, told by the length of its pulses.

tests/rig/board.toml gives each sound a length of its own, so that a pulse is
known however it is shifted in time.
"""

# Shortest pulse of each sound, in seconds; half way between neighbours.
SOUNDS = [(0.0, "NOTICE"), (0.09, "chirp"), (0.16, "CAUTION"), (0.25, "WARNING"),
          (0.5, "fault"), (1.0, "DANGER")]


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
    cut short has a length of its own, so one pulse alone counts only if steady."""
    told, before = [], None
    for start, length in pulses(levels, end_s):
        sound = sound_of(length)
        if sound == "DANGER":
            if not told or told[-1][1] != sound:
                told.append((start, sound))
        elif before and before[1] == sound and (not told or told[-1][1] != sound):
            told.append(before)
        before = (start, sound)
    return told
