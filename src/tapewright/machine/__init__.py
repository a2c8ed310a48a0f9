"""The vintage computer's ear: output stage, input stage, polling loop."""
