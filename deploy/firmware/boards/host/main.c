#include "coupling.h"
#include "options.h"
#include "terminal.h"

int main(int argc, char **argv)
{
    static struct options options;
    options_read(&options, argc, argv);
    machine_start(&options.setting);
    return options.pty ? terminal_serve(&options.setting) : coupling_serve();
}
