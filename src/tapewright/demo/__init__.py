"""The demonstration: a program to tape and back."""
