"""Trial takes: interviews with exact damage, made apart from the scene kit and from the detectors.

``scenes`` puts people into simulated rooms; here voices are mixed dry or with decaying noise as
room, with damage of other shapes, so that what was tuned on scenes can be tried.

===============  ====================================================================
``voices``       the speakers, in two parts that share none: ``seen`` and ``apart``
``sounds``       noises, filters, room responses, gains that set themselves
``takes``        a take: two voices, two microphones, damage, truth
``interviews``   two people talk, in a room or dry; where manners of damage are registered
``clean``        takes in which nothing is wrong, with what may pass for wrong
``signal_path``  damage between capsule and file: clipping, gaps, cracks, gains, dead microphones
``places``       damage from around: hum, wind, cloth, noise, backgrounds, voices that mix
``files``        a take as a file: 16 and 24 bit, float, FLAC, AAC, cut short
``scoring``      what the tool said against the truth; tables
===============  ====================================================================
"""
