"""What happens at the router table: corners, rough cut, depth, grain and feed of any outline, and the shop's rack."""
