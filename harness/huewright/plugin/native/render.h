/* The render action. */
#ifndef HUEWRIGHT_RENDER_H
#define HUEWRIGHT_RENDER_H

#include "settings.h"

OfxStatus render(OfxEffect effect, OfxProperties in);

#endif
