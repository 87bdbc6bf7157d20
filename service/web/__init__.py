"""HTTP only: addresses, headers, status. Data is reached through the pipeline and nothing else."""
