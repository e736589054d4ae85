"""One file a command: footage to measurement to checks to report. The only place that joins rooms."""
