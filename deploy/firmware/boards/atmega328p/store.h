/* What survives a reset: the number of this boot, and a device id of one's own.
 *
 * EEPROM: bytes 0 and 1 the boot number, 2 to 9 the device id (all 0xFF: the built-in one). */
#ifndef STORE_H
#define STORE_H

#include <stdint.h>

/* Counts this boot, and gives its number. */
uint16_t store_boot(void);

/* Puts the device id of the EEPROM in the place of `id`, if it holds one. */
void store_id(uint8_t id[8]);

#endif
