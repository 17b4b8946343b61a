/* What a host asks for, done or refused. */
#ifndef REQUESTS_H
#define REQUESTS_H

#include "device.h"

/* Whether the body of a host's frame has the length that its type and its own counts give. The type is known. */
bool request_whole(uint8_t type, const uint8_t *body, uint8_t n);

/* Does what a whole request other than IDENTIFY asks for; gives what is to be answered. */
enum reply_code request_answer(struct device *d, uint8_t type, const uint8_t *body, uint8_t n);

#endif
