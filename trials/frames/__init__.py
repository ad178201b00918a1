"""Books in, plain rows for one page out: reads models, asks calc, writes nothing."""
