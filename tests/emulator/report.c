#include "report.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "line.h"
#include "pins.h"

enum { DATA = 0x800000 }; /* where the linker puts the data memory */

static avr_t *avr;
static avr_cycle_count_t asleep, since;
static uint32_t variables_end, resets;

/* Never sleeps for real: virtual time only counts on. */
static void sleep_on(avr_t *mcu, avr_cycle_count_t cycles)
{
    (void)mcu;
    asleep += cycles;
}

static uint32_t end_of_variables(const elf_firmware_t *elf)
{
    for (uint32_t k = 0; k < elf->symbolcount; k++)
        if (strcmp(elf->symbol[k]->symbol, "_end") == 0)
            return elf->symbol[k]->addr & (DATA - 1);
    return 0;
}

void report_begin(avr_t *mcu, const elf_firmware_t *elf)
{
    avr = mcu;
    avr->sleep = sleep_on;
    variables_end = end_of_variables(elf);
    since = avr->cycle;
    if (variables_end)
        memset(avr->data + variables_end, PAINT, avr->ramend + 1u - variables_end);
}

void report_reset(void)
{
    resets++;
}

static uint32_t never_used(void)
{
    uint32_t at = variables_end;
    while (at <= avr->ramend && avr->data[at] == PAINT)
        at++;
    return at - variables_end;
}

static double us(avr_cycle_count_t cycles)
{
    return (double)cycles * 1e6 / avr->frequency;
}

void report_write(const char *path)
{
    FILE *file = fopen(path, "w");
    if (file == NULL) {
        fprintf(stderr, "emulator: cannot write the report to %s\n", path);
        return;
    }
    const struct pins_seen *pins = pins_seen();
    const struct line_seen *line = line_seen();
    const avr_cycle_count_t lived = avr->cycle - since;
    const uint32_t gaps = pins->scans > 1 ? pins->scans - 1 : 1;
    fprintf(file, "{\"seconds\": %.6f, \"cycles\": %" PRIu64 ", \"asleep\": %" PRIu64 ", \"load\": %.4f,\n",
            us(lived) * 1e-6, lived, asleep, lived ? 1.0 - (double)asleep / (double)lived : 0.0);
    fprintf(file, " \"scans\": %u, \"scan_us\": %.4f, \"longest_scan_us\": %.4f, \"shortest_scan_us\": %.4f,\n",
            pins->scans, us(pins->last_scan - pins->first_scan) / gaps, us(pins->longest_gap), us(pins->shortest_gap));
    fprintf(file, " \"edges\": %u, \"servo_pulses\": %u, \"bytes_sent\": %u, \"bytes_received\": %u,\n", pins->edges,
            pins->servo_pulses, line->sent, line->received);
    fprintf(file, " \"receiver_deepest\": %u, \"resets\": %u,\n", line->deepest, resets);
    const uint32_t ram = avr->ramend + 1u - 0x100u;
    const uint32_t variables = variables_end - 0x100u, unused = never_used();
    fprintf(file, " \"ram\": %u, \"variables\": %u, \"stack_deepest\": %u, \"never_used\": %u}\n", ram, variables,
            ram - variables - unused, unused);
    fclose(file);
}
