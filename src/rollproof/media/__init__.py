"""What a media file says about itself: whether its structure is whole, and its facts for people.

Structure only: headers, indexes and tails, a few reads per file, never a picture decoded for a health check.
Whatever is in such a file is untrusted: no length in it is believed, nothing is read outside the file, nothing recurses
without bound. Callers use `health.examine`, `sequence`, `segments`, `sidecar_xml`, `facts.read_facts`, `poster.poster`.
"""
