"""Both cameras and the checks of `fitting` while the boom is moved; joins jobs, and knows no web page of its own."""
