"""Drivers: how a bench host reaches real fans, pumps and sensors."""
