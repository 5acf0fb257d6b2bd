"""A lab on the simulated room, and a caller of its web application."""

import contextlib

import pytest
from lab_doubles import LabOnTest
from starlette.testclient import TestClient

from service.web.app import create_app

GIVEN = "right"


@pytest.fixture
def made(tmp_path):
    """Make a lab that ends."""
    lab = LabOnTest(tmp_path)
    with contextlib.closing(lab.lab):
        yield lab


@pytest.fixture
def ask(made):
    """Call the lab from its own machine."""
    with TestClient(create_app(made.lab), base_url="http://localhost:8740") as client:
        yield client


@pytest.fixture
def stranger(made):
    """Call a lab that asks for a token."""
    with TestClient(create_app(made.lab, token=GIVEN), base_url="http://lab:8740") as client:
        yield client
