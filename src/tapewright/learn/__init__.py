"""Recordings of saves whose bytes are known -> a format card.

Each step is a small pure function of what the step before found: sound to line code, symbols to bytes, bytes
to blocks and their items, items to checks, all of it to a card. `tapewright.chain.learn` joins them with the
receiver, which reads the recordings again with every card that is proposed.
"""
