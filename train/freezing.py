"""Keeping the trunk of a network as it is, so that a few scans only teach the heads."""

from __future__ import annotations

from torch import nn

HEADS = {
    "Assessor": ("hidden", "letter", "defects", "tags"),
    "Locator": ("shared", "centre", "letter", "turn", "shape", "scale"),
}
"""What still learns with the trunk frozen. Part masks are never labelled on scans: they stay."""


def freeze(network: nn.Module, what: str) -> tuple[nn.Module, ...]:
    """Stop the gradients of `what` (none or trunk); the frozen children, to be kept in eval mode.

    ValueError for anything else.
    """
    if what == "none":
        return ()
    if what != "trunk":
        raise ValueError(f"nothing is called {what!r} that could be frozen: none or trunk")
    heads = HEADS[type(network).__name__]
    frozen = tuple(child for name, child in network.named_children() if name not in heads)
    for child in frozen:
        child.requires_grad_(False)
    return frozen
