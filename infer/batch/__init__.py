"""Many pages: inputs, worker, process pool, Dask cluster."""
