"""What people say on the phone, written by people who did not know the program, and how it is heard."""
