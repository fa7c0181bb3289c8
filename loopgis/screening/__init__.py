"""Many parcels: which of them can take a bored loop, how much, and why not.

one.py judges one parcel, bound.py says quickly and safely that nothing fits, block.py reads what a run of parcels needs, work.py
spreads the blocks over workers and survives their end, result.py writes what came of it. town.py draws made-up towns to try it on.
"""
