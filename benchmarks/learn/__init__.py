"""Learning formats nobody wrote down, measured on formats that never were.

`formats`
    `random_format` makes a format up: a card, and what a card has no word for. `random_program` draws what to
    save in it, `random_start` where. A family can be asked for; see `FAMILIES`.
`saves`
    `save` makes a recording of a save: as sent, or played through a cassette.
`agreement`
    Whether the package reads those recordings with the cards themselves. What it cannot read, no learner can
    be asked to learn: ``python -m benchmarks.learn.formats --count 200`` says so by
    family, and lists failures.
`line_codes`, `framings`, `layouts`, `checks`
    The prior, part by part. It is wider than the cards of the library; timings are typical ones widened by
    about 30 per cent.

The prior is narrower than tapes are where the package's own reader fails today:

- idle time between bytes varies by one symbol at most, and a sync of many bytes without idle time does not
  stand before bytes that have it (the reader looks for the distance that most bytes share);
- both tones of a modem are sixtieths of its bit rate, and not nearly a whole turn a bit apart (the reader
  tells at most 64 phases apart);
- bursts that are there or not come at 667 bit/s or faster, tone-duration ratios as sines in cells of 5.3 ms
  at most;
- leaders of single half-waves of their own length are longer than bits;
- synchronous blocks are known by 24 bits of sync, mark, constants and check, or have a trailer.

Same seeds, same formats and same sounds.
"""
