/* The machine at a pseudo-terminal of its own, in wall time, with nothing but constant levels at its pins. */
#ifndef TERMINAL_H
#define TERMINAL_H

/* Prints the terminal's name and serves until the program is ended. Gives the exit code where that cannot be. */
struct setting;
int terminal_serve(const struct setting *setting);

#endif
