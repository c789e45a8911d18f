"""The accuracy table: kernels against float64 references, and against values published by others."""
