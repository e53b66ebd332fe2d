"""What a device's export means, before anything of it is registered or delivered.

It stands in this room because it measures and judges by the pipeline's own techniques and rules:
only so is a wrong unit seen as a night would see it.
"""
