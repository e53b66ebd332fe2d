"""Telling people what a night came to: digests, the outbox they wait in, and the ways out of it."""
