"""`…C<3 digits>.braw` or `<date>_<time>.braw` with a `.sidecar` beside it, in no folder of its own; proxies apart."""

from rollproof.card.layout import Layout

LAYOUT = Layout(
    id="top-level-braw",
    words="braw with sidecars",
    holds=r".*(?:C[0-9]{3,4}|[0-9]{8}[_-]?[0-9]{6})(?:_S[0-9]{3})?\.(?:braw|sidecar)",
    proxies=("Proxy",),
    counter_from_one=True,
)
