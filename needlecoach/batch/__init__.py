"""Many clips scored at once: on the cores of this machine, or on those of a Dask cluster."""
