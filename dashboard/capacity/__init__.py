"""Test plan, proof of moment, sectors, truck stability model: pure."""
