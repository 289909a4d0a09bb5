"""From choices to a head: the plan, the parts and the fused solid."""
