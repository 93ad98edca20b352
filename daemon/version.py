"""The version of this program, as it is published, journaled and printed."""

VERSION = "0.1.0"
