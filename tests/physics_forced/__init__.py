"""A small bench of physics: lungs driven by muscles, a closed box, jackets, leaks, real channels.

It integrates equations of motion and the gas law with its own constants and imports nothing of
what it is to test; only `device.recording_of` hands the samples over.
"""
