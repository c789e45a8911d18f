/* Patch isolation, written from PORTING.md in double, held to the golden masks.

   isolation MISTAKE FILE...: a line for each file with its worst error in coverage, its worst error in placing, and its
   tolerance; of refused.txt how many were taken and how many there are. MISTAKE 0 is the port as it should be; each
   other number one thing that a port could get wrong, which the files must find. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NONE, FEATHER_AS_RADIUS, FEATHER_UNSCALED, LINEAR_STEP, CENTRES_AT_CORNERS, SIDES_NOT_SEGMENTS, ONE_WAY_ROUND,
       NO_PERSPECTIVE, INSET_TO_THE_BOX, INSET_AFTER_PLACING, UPWARDS, NO_ORIGIN, ORIGIN_UNSCALED, SCALE_OF_X,
       NOT_LIMITED, GREATEST, HARD_BY_CENTRE, GRID_BY_COLUMNS, OUTSIDE_ONLY, MISTAKES };
enum { MOST = 64, PATCHES = 64, SIDE = 64 };
typedef struct { double x, y; } Point;
typedef struct { int count; Point at[MOST]; } Polygon;
static int mistake;

static double cross(Point a, Point b, Point c) { return (b.x - a.x) * (c.y - b.y) - (c.x - b.x) * (b.y - a.y); }

static void turns(const Polygon *p, int *left, int *right)
{
    *left = *right = 0;
    for (int k = 0; k < p->count; k++) {
        const double turn = cross(p->at[k], p->at[(k + 1) % p->count], p->at[(k + 2) % p->count]);
        *left += turn > 0, *right += turn < 0;
    }
}

/* The quad's map as unit square -> parallelogram part and two perspective terms, found by elimination. */
static void projective(const Polygon *quad, double m[8])
{
    double rows[8][9];
    for (int k = 0; k < 4; k++) {
        const double u = k == 1 || k == 2, w = k > 1, x = quad->at[k].x, y = quad->at[k].y;
        const double one[9] = {u, w, 1, 0, 0, 0, -u * x, -w * x, x}, two[9] = {0, 0, 0, u, w, 1, -u * y, -w * y, y};
        memcpy(rows[2 * k], one, sizeof one), memcpy(rows[2 * k + 1], two, sizeof two);
    }
    for (int k = 0; k < 8; k++) {
        int best = k;
        for (int i = k; i < 8; i++)
            if (fabs(rows[i][k]) > fabs(rows[best][k])) best = i;
        for (int c = 0; c < 9; c++) {
            const double held = rows[k][c];
            rows[k][c] = rows[best][c], rows[best][c] = held;
        }
        for (int i = 0; i < 8; i++) {
            const double factor = i == k ? 0 : rows[i][k] / rows[k][k];
            for (int c = k; c < 9; c++) rows[i][c] -= factor * rows[k][c];
        }
    }
    for (int k = 0; k < 8; k++) m[k] = rows[k][8] / rows[k][k];
    if (mistake == NO_PERSPECTIVE) m[6] = m[7] = 0;
}

static Polygon drawn_in(Polygon p, double inset)
{
    Point middle = {0, 0}, low = p.at[0], high = p.at[0];
    for (int k = 0; k < p.count; k++) {
        middle.x += p.at[k].x / p.count, middle.y += p.at[k].y / p.count;
        low.x = fmin(low.x, p.at[k].x), low.y = fmin(low.y, p.at[k].y);
        high.x = fmax(high.x, p.at[k].x), high.y = fmax(high.y, p.at[k].y);
    }
    if (mistake == INSET_TO_THE_BOX) middle.x = (low.x + high.x) / 2, middle.y = (low.y + high.y) / 2;
    for (int k = 0; k < p.count; k++) {
        p.at[k].x = middle.x + (1 - inset) * (p.at[k].x - middle.x);
        p.at[k].y = middle.y + (1 - inset) * (p.at[k].y - middle.y);
    }
    return p;
}

/* What of the polygon lies on the upper side (sign 1) or the lower one (-1) of a bound along an axis. */
static Polygon clipped(const Polygon *p, int axis, double bound, double sign)
{
    Polygon kept = {0};
    for (int k = 0; k < p->count; k++) {
        const Point a = p->at[k], b = p->at[(k + 1) % p->count];
        const double here = sign * ((axis ? a.y : a.x) - bound), there = sign * ((axis ? b.y : b.x) - bound);
        if (here >= 0) kept.at[kept.count++] = a;
        if (here * there < 0) {
            const double share = here / (here - there);
            const Point met = {a.x + share * (b.x - a.x), a.y + share * (b.y - a.y)};
            kept.at[kept.count++] = met;
        }
    }
    return kept;
}

static int inside(const Polygon *p, Point q)
{
    int left = 0, right = 0;
    for (int k = 0; k < p->count; k++) {
        const double side = cross(p->at[k], p->at[(k + 1) % p->count], q);
        left += side > 0, right += side < 0;
    }
    return mistake == ONE_WAY_ROUND ? !right : !left || !right;
}

static double area(const Polygon *p, int column, int row)
{
    const Point centre = {column + 0.5, row + 0.5};
    if (mistake == HARD_BY_CENTRE) return inside(p, centre);
    Polygon part = clipped(p, 0, column, 1);
    part = clipped(&part, 0, column + 1, -1);
    part = clipped(&part, 1, row, 1);
    part = clipped(&part, 1, row + 1, -1);
    double twice = 0;
    for (int k = 0; k < part.count; k++) {
        const Point a = part.at[k], b = part.at[(k + 1) % part.count];
        twice += a.x * b.y - b.x * a.y;
    }
    return (mistake == ONE_WAY_ROUND ? fmax(twice, 0) : fabs(twice)) / 2;
}

static double step(const Polygon *p, int column, int row, double feather)
{
    const double half = mistake == CENTRES_AT_CORNERS ? 0 : 0.5;
    const Point q = {column + half, row + half};
    double nearest = INFINITY;
    for (int k = 0; k < p->count; k++) {
        const Point a = p->at[k], b = p->at[(k + 1) % p->count];
        const double ex = b.x - a.x, ey = b.y - a.y, dx = q.x - a.x, dy = q.y - a.y;
        double share = (dx * ex + dy * ey) / (ex * ex + ey * ey);
        if (mistake != SIDES_NOT_SEGMENTS) share = fmin(fmax(share, 0), 1);
        nearest = fmin(nearest, hypot(dx - share * ex, dy - share * ey));
    }
    if (mistake == FEATHER_AS_RADIUS) feather *= 2;
    const double d = inside(p, q) ? -nearest : nearest;
    double t = fmin(fmax((mistake == OUTSIDE_ONLY ? 1 : 0.5) - d / feather, 0), 1);
    return mistake == LINEAR_STEP ? t : t * t * (3 - 2 * t);
}

static int numbers(char *text, double *to, int most)
{
    int count = 0;
    for (char *end; count < most; text = end, count++) {
        to[count] = strtod(text, &end);
        if (end == text) break;
    }
    return count;
}

static Polygon polygon(char *text)
{
    double v[2 * MOST];
    Polygon p = {numbers(text, v, 2 * MOST) / 2, {{0, 0}}};
    for (int k = 0; k < p.count; k++) p.at[k].x = v[2 * k], p.at[k].y = v[2 * k + 1];
    return p;
}

static int refused(const Polygon *p, int corners)
{
    int left, right;
    turns(p, &left, &right);
    if (corners) return left != 4 && right != 4;
    for (int k = 0; k < p->count; k++)
        if (p->at[k].x < 0 || p->at[k].x > 1 || p->at[k].y < 0 || p->at[k].y > 1) return 1;
    return p->count < 3 || !left == !right;
}

static void run(const char *path)
{
    static char line[1 << 16];
    static Polygon patches[PATCHES], placed[PATCHES];
    static double want[SIDE][SIDE];
    Polygon corners = {0}, last = {0};
    double one[2], at[2] = {0, 0}, scale[2] = {1, 1}, inset = 0, feather = 0, tolerance = 0;
    int width = 0, height = 0, count = 0, asked = 0, is_corners = 0, taken = 0, all = 0;
    FILE *file = fopen(path, "r");
    if (!file) exit(1);
    while (fgets(line, sizeof line, file)) {
        char *rest = strchr(line, ' ');
        if (*line == '#') continue;
        if (!rest) {
            all++, taken += !refused(&last, is_corners); /* the only word that stands alone is "refused" */
            continue;
        }
        *rest++ = 0;
        if (!strcmp(line, "picture")) numbers(rest, one, 2), width = (int)one[0], height = (int)one[1];
        else if (!strcmp(line, "at")) numbers(rest, at, 2);
        else if (!strcmp(line, "scale")) numbers(rest, scale, 2);
        else if (!strcmp(line, "corners")) last = corners = polygon(rest), is_corners = 1;
        else if (!strcmp(line, "patch")) last = polygon(rest), is_corners = 0, patches[count++ % PATCHES] = last;
        else if (!strcmp(line, "placed")) placed[asked++] = polygon(rest);
        else if (!strcmp(line, "inset")) inset = atof(rest);
        else if (!strcmp(line, "feather")) feather = atof(rest);
        else if (!strcmp(line, "tolerance")) tolerance = atof(rest);
        else if (!strcmp(line, "grid")) {
            numbers(rest, one, 2);
            const int columns = (int)one[0], rows = (int)one[1];
            for (int k = 0; k < columns * rows; k++) {
                const int across = mistake == GRID_BY_COLUMNS ? k / rows : k % columns;
                const int down = mistake == GRID_BY_COLUMNS ? k % rows : k / columns;
                patches[k].count = 4;
                for (int c = 0; c < 4; c++)
                    patches[k].at[c].x = (across + (c == 1 || c == 2)) / one[0],
                    patches[k].at[c].y = (down + (c > 1)) / one[1];
            }
            count = columns * rows;
        } else if (!strcmp(line, "coverage")) {
            for (int row = 0; row < height && fgets(line, sizeof line, file); row++) numbers(line, want[row], SIDE);
        }
    }
    fclose(file);
    if (all) {
        printf("%s %d %d\n", path, taken, all);
        return;
    }
    double m[8], worst = 0, off = 0;
    projective(&corners, m);
    for (int k = 0; k < count; k++) {
        Polygon p = mistake == INSET_AFTER_PLACING ? patches[k] : drawn_in(patches[k], inset);
        for (int c = 0; c < p.count; c++) {
            const double u = p.at[c].x, w = p.at[c].y, depth = m[6] * u + m[7] * w + 1;
            const double x = (m[0] * u + m[1] * w + m[2]) / depth, y = (m[3] * u + m[4] * w + m[5]) / depth;
            const double ax = mistake == NO_ORIGIN ? 0 : at[0] * (mistake == ORIGIN_UNSCALED ? scale[0] : 1);
            const double ay = mistake == NO_ORIGIN ? 0 : at[1] * (mistake == ORIGIN_UNSCALED ? scale[1] : 1);
            const double sy = mistake == SCALE_OF_X ? scale[0] : scale[1];
            p.at[c].x = x * scale[0] - ax, p.at[c].y = mistake == UPWARDS ? y * sy - ay : ay + height - y * sy;
        }
        patches[k] = mistake == INSET_AFTER_PLACING ? drawn_in(p, inset) : p;
        for (int c = 0; c < p.count && k < asked; c++)
            off = fmax(off, hypot(patches[k].at[c].x - placed[k].at[c].x, patches[k].at[c].y - placed[k].at[c].y));
    }
    if (mistake != FEATHER_UNSCALED) feather *= scale[0];
    for (int row = 0; row < height; row++)
        for (int column = 0; column < width; column++) {
            double sum = 0;
            for (int k = 0; k < count; k++) {
                const double one_patch = feather > 0 ? step(&patches[k], column, row, feather) : area(&patches[k], column, row);
                sum = mistake == GREATEST ? fmax(sum, one_patch) : sum + one_patch;
            }
            worst = fmax(worst, fabs((mistake == NOT_LIMITED ? sum : fmin(sum, 1)) - want[row][column]));
        }
    printf("%s %.3g %.3g %.3g\n", path, worst, count == asked ? off : INFINITY, tolerance);
}

int main(int count, char **arguments)
{
    mistake = atoi(arguments[1]);
    if (count == 2) return printf("%d\n", MISTAKES), 0;
    for (int k = 2; k < count; k++) run(arguments[k]);
    return 0;
}
