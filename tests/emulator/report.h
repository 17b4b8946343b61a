/* What can be seen only from inside the microcontroller, for the report. */
#ifndef REPORT_H
#define REPORT_H

#include <sim_avr.h>
#include <sim_elf.h>

enum { PAINT = 0xC5 };

/* Paints the memory behind the firmware's variables, so that the stack's depth shows, and counts sleep from now on. */
void report_begin(avr_t *avr, const elf_firmware_t *elf);

/* The microcontroller has been reset, by whatever. */
void report_reset(void);

/* Writes it to a file as JSON; complains on standard error where that cannot be done. */
void report_write(const char *path);

#endif
