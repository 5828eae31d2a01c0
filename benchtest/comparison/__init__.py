"""Tests of one unit, or units of one design, compared joint by joint."""
