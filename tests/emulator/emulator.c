/* Runs the reference firmware for the ATmega328P in virtual time, fed by the simulator over the coupling.
 *
 *     emulator [--report FILE] FIRMWARE.elf
 *
 * Linked with libsimavr, and so under the GNU General Public License, version 3; see README.md. */
#include <sim_avr.h>
#include <sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "coupling.h"
#include "line.h"
#include "pins.h"
#include "report.h"

enum {
    MHZ = 16,
    MILLIVOLTS = 5000,
    MCUSR = 0x54, /* in the data memory */
    POWER_ON = 1,
};

static avr_t *avr;
static avr_cycle_count_t span_end;
static void (*core_reset)(avr_t *);

/* Does nothing, but no sleep lasts beyond it. */
static avr_cycle_count_t wake(avr_t *mcu, avr_cycle_count_t when, void *param)
{
    (void)mcu;
    (void)when;
    (void)param;
    return 0;
}

static void arm_end(void)
{
    avr_cycle_timer_register(avr, span_end > avr->cycle ? span_end - avr->cycle : 1, wake, NULL);
}

/* Every reset comes by here, the watchdog's too, and has emptied the list of what is due. */
static void after_reset(avr_t *mcu)
{
    if (core_reset != NULL)
        core_reset(mcu);
    line_after_reset();
    pins_after_reset();
    report_reset();
    arm_end();
}

static void load(const char *path, elf_firmware_t *elf)
{
    if (elf_read_firmware(path, elf) != 0) {
        fprintf(stderr, "emulator: %s: expected an ELF file for the ATmega328P\n", path);
        exit(2);
    }
    elf->frequency = MHZ * 1000000;
    avr_load_firmware(avr, elf);
    avr->frequency = MHZ * 1000000;
    avr->vcc = avr->avcc = avr->aref = MILLIVOLTS;
}

static void begin(const char *path)
{
    static elf_firmware_t elf;
    avr = avr_make_mcu_by_name("atmega328p");
    if (avr == NULL || avr_init(avr) != 0) {
        fprintf(stderr, "emulator: this libsimavr knows no ATmega328P\n");
        exit(2);
    }
    load(path, &elf);
    pins_connect(avr);
    line_connect(avr);
    report_begin(avr, &elf);
    core_reset = avr->reset;
    avr->reset = after_reset;
    avr->data[MCUSR] = POWER_ON;
}

static void reset(uint8_t cause)
{
    avr_reset(avr);
    avr->data[MCUSR] = cause;
}

/* Runs to the end of the span, or some cycles beyond, which the next one lacks then. */
static void live(void)
{
    while (avr->cycle < span_end) {
        const int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "emulator: the firmware %s at 0x%04x after %.6f s\n",
                    state == cpu_Done ? "went to sleep with interrupts off" : "crashed", avr->pc,
                    (double)avr->cycle / (MHZ * 1e6));
            exit(3);
        }
    }
}

static void serve(const char *report)
{
    static struct span span;
    static struct answer answer;
    uint8_t cause = 0;
    enum order order;
    span_end = avr->cycle;
    coupling_greet();
    while ((order = coupling_next(&span, &cause)) != ORDER_END) {
        if (order == ORDER_RESET) {
            reset(cause);
            continue;
        }
        const avr_cycle_count_t start = span_end;
        span_end += (avr_cycle_count_t)span.us * MHZ;
        arm_end();
        pins_begin(&span, start, span_end);
        line_begin();
        line_take(span.received, span.n_received);
        live();
        pins_end(&answer);
        line_give(&answer);
        coupling_answer(&answer);
    }
    if (report != NULL)
        report_write(report);
}

int main(int argc, char **argv)
{
    const bool reports = argc == 4 && strcmp(argv[1], "--report") == 0;
    if (argc != 2 && !reports) {
        fprintf(stderr, "usage: emulator [--report FILE] FIRMWARE.elf\n");
        return 2;
    }
    coupling_open();
    begin(argv[argc - 1]);
    serve(reports ? argv[2] : NULL);
    return 0;
}
