/* The describe actions. */
#ifndef HUEWRIGHT_DESCRIBE_H
#define HUEWRIGHT_DESCRIBE_H

#include "settings.h"

OfxStatus describe(const Effect *effect, OfxEffect handle);
OfxStatus describe_in_context(const Effect *effect, OfxEffect handle);

#endif
