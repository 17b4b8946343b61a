/* What the host program is told on its command line. */
#ifndef OPTIONS_H
#define OPTIONS_H

#include <stdbool.h>

#include "machine.h"

struct options {
    bool pty;
    struct setting setting;
};

/* Reads the command line; ends the program with a word to people where it does not understand it. */
void options_read(struct options *options, int argc, char **argv);

#endif
