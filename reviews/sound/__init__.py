"""What was played, from sound: the question this package answers is “which keys were struck, when, and how loud?”.

Conventions. Sound is mono, `float32`, full scale ±1, at 16 kHz unless a `rate_hz` says otherwise; time zero is its first
sample. Frames come every 10 ms; frame *n* is centred on second *n* / 100. Pitches are MIDI numbers, 60 is middle C, 69
is A at 440 Hz; keys are the 88 from 21 to 108, lowest first. Levels are decibels relative to the average note of the
same recording, never to anything outside it.
"""
