#include "store.h"

#include <avr/eeprom.h>
#include <stdbool.h>
#include <string.h>

#define BOOT_AT ((uint16_t *)0)
#define ID_AT ((const uint8_t *)2)

uint16_t store_boot(void)
{
    const uint16_t boot = (uint16_t)(eeprom_read_word(BOOT_AT) + 1u);
    eeprom_update_word(BOOT_AT, boot);
    return boot;
}

void store_id(uint8_t id[8])
{
    uint8_t own[8], blank = 0xFF;
    eeprom_read_block(own, ID_AT, sizeof own);
    for (uint8_t k = 0; k < sizeof own; k++)
        blank &= own[k];
    if (blank != 0xFF)
        memcpy(id, own, sizeof own);
}
