"""Fault diagnosis by Bayesian network: causes, what is noticed, what checks show, and what to do about it."""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "load_knowledge": "knowledge",
    "build_network": "network",
    "open_network": "network",
    "read_evidence": "evidence",
    "infer": "posterior",
    "advise": "triage",
}
__all__ = [  # fetched on first use by __getattr__, so that importing the package imports nothing else
    "__version__",
    "advise",
    "build_network",
    "infer",
    "load_knowledge",
    "open_network",
    "read_evidence",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(f"diagnose.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'diagnose' has no attribute {name!r}")
