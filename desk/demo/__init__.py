"""An invented job, complete, to try everything on: plan, run sheets, dumps and the truth."""

from desk.demo.scenario import Made, make

__all__ = ["Made", "make"]
