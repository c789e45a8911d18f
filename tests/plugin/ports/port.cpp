// The operations in C++, written from kernels/PORTING.md: reads golden vectors, says how far off it is.
//
// Usage: port double|float FILE...; a line a file: its name, then the largest error over the file's tolerance. Of a file
// of records that must be refused: how many it takes, and of how many.

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <limits>
#include <map>
#include <sstream>
#include <string>
#include <vector>

using std::string;
using std::vector;

struct Record {
    string operation, style = "Fwd", curve, direction, interpolation = "tetrahedral";
    std::map<string, vector<double>> numbers;
    vector<double> table;
    vector<string> chain;
    double at(const string &name, std::size_t k, double otherwise) const
    {
        const auto found = numbers.find(name);
        return found == numbers.end() ? otherwise : found->second.at(k);
    }
    bool has(const string &name) const { return numbers.count(name) != 0; }
    const vector<double> &list(const string &name) const
    {
        static const vector<double> none;
        const auto found = numbers.find(name);
        return found == numbers.end() ? none : found->second;
    }
};

// Comparisons that let not-a-number through.
template <class T> T limited(T x, T low, T high) { return x < low ? low : x > high ? high : x; }

// --- the cubic ------------------------------------------------------------------------------------------------
struct Curve {
    vector<double> x, y, m;
    double at(double v) const
    {
        std::size_t j = 0;
        while (j + 2 < x.size() && v >= x[j + 1]) j++;
        const double h = x[j + 1] - x[j], t = (v - x[j]) / h, u = 1 - t;
        return y[j] * (1 + 2 * t) * u * u + y[j + 1] * t * t * (3 - 2 * t) + h * t * u * (m[j] * u - m[j + 1] * t);
    }
};

double inner_slope(double h0, double h1, double d0, double d1)
{
    const double w0 = 2 * h1 + h0, w1 = h1 + 2 * h0;
    return d0 * d1 <= 0 ? 0 : (w0 + w1) / (w0 / d0 + w1 / d1);
}

double end_slope(double h0, double h1, double d0, double d1)
{
    const double slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
    if (slope * d0 <= 0) return 0;
    return d0 * d1 <= 0 && std::fabs(slope) > 3 * std::fabs(d0) ? 3 * d0 : slope;
}

Curve open_curve(const vector<double> &x, const vector<double> &y)
{
    const std::size_t n = x.size();
    Curve c{x, y, vector<double>(n)};
    vector<double> h(n - 1), d(n - 1);
    for (std::size_t k = 0; k + 1 < n; k++) h[k] = x[k + 1] - x[k], d[k] = (y[k + 1] - y[k]) / h[k];
    if (n == 2) return c.m = {d[0], d[0]}, c;
    for (std::size_t k = 1; k + 1 < n; k++) c.m[k] = inner_slope(h[k - 1], h[k], d[k - 1], d[k]);
    c.m[0] = end_slope(h[0], h[1], d[0], d[1]);
    c.m[n - 1] = end_slope(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
    return c;
}

Curve periodic_curve(const vector<double> &x, vector<double> y, double rise)
{
    const std::size_t n = x.size();
    Curve c{x, y, vector<double>(n + 1)};
    c.x.push_back(x[0] + 360), c.y.push_back(y[0] + rise);
    for (std::size_t k = 0; k < n; k++) {
        const std::size_t b = (k + n - 1) % n;
        const double h0 = c.x[b + 1] - c.x[b], h1 = c.x[k + 1] - c.x[k];
        c.m[k] = inner_slope(h0, h1, (c.y[b + 1] - c.y[b]) / h0, (c.y[k + 1] - c.y[k]) / h1);
    }
    c.m[n] = c.m[0];
    return c;
}

// --- operations -----------------------------------------------------------------------------------------------
template <class T> struct Port {
    static T raised(T x, T exponent) { return x > 0 ? std::pow(x, exponent) : x; }
    static T mirrored(T x, T (*curve)(T)) { return std::isnan(x) ? x : std::copysign(curve(std::fabs(x)), x); }
    static constexpr T infinity = std::numeric_limits<T>::infinity();

    static T pq(T x, bool encode)
    {
        const T m1 = T(2610.0 / 16384), m2 = T(2523.0 / 32), c1 = T(3424.0 / 4096), c2 = T(2413.0 / 128),
                c3 = T(2392.0 / 128);
        if (x < 0) x = 0;
        if (encode) {
            const T y = std::pow(x, m1), w = (c2 - c3) * (1 - y) / (1 + c3 * y);
            return std::exp(m2 * std::log1p(-w));
        }
        if (x >= T(std::pow(double(c2) / double(c3), double(m2)))) return infinity;
        const T e = x > 0 || std::isnan(x) ? std::expm1(std::log(x) / m2) : T(-1);
        const T top = e + (1 - c1);
        return std::pow((top < 0 ? 0 : top) / ((c2 - c3) - c3 * e), 1 / m1);
    }
    static T hlg(T x, bool encode)
    {
        const double a = 0.17883277, b = 1 - 4 * a, c = 0.5 - a * std::log(4 * a);
        if (encode) return x <= T(1) / 12 ? std::sqrt(3 * x) : T(a) * std::log(12 * x - T(b)) + T(c);
        return x <= T(0.5) ? x * x / 3 : (std::exp((x - T(c)) / T(a)) + T(b)) / 12;
    }
    static T transfer(const Record &r, T x)
    {
        const bool encode = r.direction == "encode";
        if (r.curve == "bt709")
            return encode ? (x >= T(0.018) ? T(1.099) * std::pow(x, T(0.45)) - T(0.099) : T(4.5) * x)
                          : (x >= T(0.081) ? std::pow((x + T(0.099)) / T(1.099), T(1 / 0.45)) : x / T(4.5));
        if (r.curve == "srgb")
            return encode ? (x >= T(0.0031308) ? T(1.055) * std::pow(x, T(1 / 2.4)) - T(0.055) : T(12.92) * x)
                          : (x >= T(0.04045) ? std::pow((x + T(0.055)) / T(1.055), T(2.4)) : x / T(12.92));
        if (r.curve == "bt1886")
            return encode ? mirrored(x, [](T v) { return std::pow(v, T(1 / 2.4)); })
                          : mirrored(x, [](T v) { return std::pow(v, T(2.4)); });
        if (r.curve == "hlg")
            return encode ? mirrored(x, [](T v) { return hlg(v, true); }) : mirrored(x, [](T v) { return hlg(v, false); });
        return r.curve == "pq" ? pq(x, encode) : x;
    }

    // The curve's numbers in double, as the guide has parameters; the pole next to the break costs floats their digits.
    static T logarithm(const Record &r, T x)
    {
        const double base = r.at("base", 0, 2), a = r.at("log_side_slope", 0, 1), b = r.at("log_side_offset", 0, 0),
                     c = r.at("lin_side_slope", 0, 1), d = r.at("lin_side_offset", 0, 0);
        const bool encode = r.operation == "log-encode";
        const auto curved = [&](double v) {
            double u = c * v + d;
            if (u < std::ldexp(1.0, -126)) u = std::ldexp(1.0, -126);
            return a * std::log(u) / std::log(base) + b;
        };
        const auto opened = [&](double v) { return (std::exp2((v - b) / a * std::log2(base)) - d) / c; };
        if (!r.has("lin_side_break")) return T(encode ? curved(x) : opened(x));
        const double x0 = r.at("lin_side_break", 0, 0), y0 = curved(x0),
                     s = r.has("linear_slope") ? r.at("linear_slope", 0, 0) : a * c / ((c * x0 + d) * std::log(base)),
                     o = y0 - s * x0;
        if (encode) return T(double(x) > x0 ? curved(x) : s * x + o);
        return T((s > 0 ? double(x) > y0 : double(x) < y0) ? opened(x) : (x - o) / s);
    }

    static void hues(const Record &r, T *v)
    {
        const double kr = r.at("kr", 0, 0.2126), kb = r.at("kb", 0, 0.0722), kg = 1 - kr - kb;
        const auto &x = r.list("hues_deg"), &turns = r.list("rotations_deg"), &gains = r.list("gains");
        vector<double> to(x.size()), logs(x.size());
        for (std::size_t k = 0; k < x.size(); k++) to[k] = x[k] + turns[k], logs[k] = std::log(gains[k]);
        const Curve angle = periodic_curve(x, to, 360), gain = periodic_curve(x, logs, 0);
        const T rg = v[0] - v[1], bg = v[2] - v[1];
        const T cr = T((rg * (1 - kr) - kb * bg) / (2 * (1 - kr))), cb = T((bg * (1 - kb) - kr * rg) / (2 * (1 - kb)));
        double theta = std::atan2(double(cr), double(cb)) * (180 / std::acos(-1.0));
        if (!std::isfinite(cr) || !std::isfinite(cb)) theta = std::numeric_limits<double>::quiet_NaN();
        while (theta < x[0]) theta += 360;
        while (theta >= x[0] + 360) theta -= 360;
        const double delta = (angle.at(theta) - theta) * (std::acos(-1.0) / 180), factor = std::exp(gain.at(theta));
        const T same = T(factor * std::cos(delta) - 1), other = T(factor * std::sin(delta));
        const T dcb = same * cb - other * cr, dcr = other * cb + same * cr;
        const T red = T(2 * (1 - kr)) * dcr, blue = T(2 * (1 - kb)) * dcb;
        v[0] += red, v[2] += blue, v[1] -= T((kr * red + kb * blue) / kg);
    }

    static void place(const Record &r, int channel, int n, T x, int &cell, T &fraction)
    {
        const double low = r.at("domain_min", channel, 0), high = r.at("domain_max", channel, 1);
        const double position = limited((double(x) - low) / (high - low), 0.0, 1.0) * (n - 1);
        cell = std::isnan(position) ? 0 : std::min(int(position), n - 2);
        fraction = T(position - cell);
    }
    static void line(const Record &r, T *v)
    {
        const int n = int(r.table.size() / 3);
        for (int c = 0; c < 3; c++) {
            int cell;
            T f;
            place(r, c, n, v[c], cell, f);
            const T near = T(r.table[3 * cell + c]), far = T(r.table[3 * cell + 3 + c]);
            v[c] = near + f * (far - near);
        }
    }
    static void lattice(const Record &r, T *v)
    {
        const int n = int(std::lround(std::cbrt(double(r.table.size() / 3))));
        int cell[3], order[3] = {0, 1, 2};
        T f[3], sum[3] = {0, 0, 0};
        for (int c = 0; c < 3; c++) place(r, c, n, v[c], cell[c], f[c]);
        const auto add = [&](const int *at, T weight) {
            for (int c = 0; c < 3; c++) sum[c] += weight * T(r.table[3 * ((at[0] * n + at[1]) * n + at[2]) + c]);
        };
        if (r.interpolation == "trilinear") {
            for (int corner = 0; corner < 8; corner++) {
                int at[3];
                T weight = 1;
                for (int c = 0; c < 3; c++) {
                    const int far = corner >> c & 1;
                    at[c] = cell[c] + far, weight *= far ? f[c] : 1 - f[c];
                }
                add(at, weight);
            }
        } else {
            std::stable_sort(order, order + 3, [&](int a, int b) { return f[a] > f[b]; });
            int at[3] = {cell[0], cell[1], cell[2]};
            T before = 1;
            for (int step = 0; step < 3; step++) {
                add(at, before - f[order[step]]);
                before = f[order[step]], at[order[step]]++;
            }
            add(at, before);
        }
        std::copy(sum, sum + 3, v);
    }

    static void cdl(const Record &r, T *v)
    {
        const bool clamps = r.style.find("NoClamp") == string::npos, back = r.style.compare(0, 3, "Rev") == 0;
        const double saturation = r.at("saturation", 0, 1);
        const auto held = [&](T x) { return clamps ? limited(x, T(0), T(1)) : x; };
        const auto saturate = [&](T factor) {
            const T luma = T(0.2126) * v[0] + T(0.7152) * v[1] + T(0.0722) * v[2];
            for (int c = 0; c < 3; c++) v[c] = held(luma + factor * (v[c] - luma));
        };
        if (back) {
            for (int c = 0; c < 3; c++) v[c] = held(v[c]);
            saturate(T(1 / saturation));
        }
        for (int c = 0; c < 3; c++) {
            const T slope = T(r.at("slope", c, 1)), offset = T(r.at("offset", c, 0)), power = T(r.at("power", c, 1));
            v[c] = back ? held((raised(v[c], 1 / power) - offset) / slope) : raised(held(v[c] * slope + offset), power);
        }
        if (!back) saturate(T(saturation));
    }

    static T exponent(const Record &r, int c, T x)
    {
        const double g = r.at("exponent", c, 1), o = r.at("offset", c, 0);
        const bool back = r.style.find("Rev") != string::npos, mirror = r.style.find("Mirror") != string::npos;
        if (std::isnan(x)) return x;
        T u = mirror ? std::fabs(x) : x, y;
        if (r.style.compare(0, 3, "mon") == 0) {
            const double image = std::pow(g * o / ((g - 1) * (1 + o)), g), slope = (g - 1) / o * image;
            if (back) y = u > T(image) ? T(1 + o) * std::pow(u, T(1 / g)) - T(o) : u / T(slope);
            else y = u > T(o / (g - 1)) ? std::pow((u + T(o)) / T(1 + o), T(g)) : u * T(slope);
        } else {
            if (u < 0 && r.style.find("PassThru") == string::npos) u = 0;
            y = raised(u, T(back ? 1 / g : g));
        }
        return mirror ? std::copysign(y, x) : y;
    }

    static T range_limits(const Record &r, T x)
    {
        const bool low = r.has("min_in"), high = r.has("max_in");
        const double a = r.at("min_in", 0, 0), b = r.at("max_in", 0, 0), p = r.at("min_out", 0, 0), q = r.at("max_out", 0, 0);
        if (low && high) x = x * T((q - p) / (b - a)) + T(p - a * (q - p) / (b - a));
        if (low && x < T(p)) x = T(p);
        if (high && x > T(q)) x = T(q);
        return x;
    }

    static void apply(const Record &r, T *v)
    {
        if (r.operation == "matrix") {
            T out[3];
            for (int c = 0; c < 3; c++)
                out[c] = v[0] * T(r.at("matrix", 3 * c, 0)) + v[1] * T(r.at("matrix", 3 * c + 1, 0))
                         + v[2] * T(r.at("matrix", 3 * c + 2, 0)) + T(r.at("offset", c, 0));
            std::copy(out, out + 3, v);
        } else if (r.operation == "tone-curve") {
            const Curve curve = open_curve(r.list("x"), r.list("y"));
            const double first = curve.x.front(), last = curve.x.back();
            for (int c = 0; c < 3; c++) {
                const double x = v[c], below = x < first ? x - first : 0, above = x > last ? x - last : 0;
                v[c] = T(curve.at(limited(x, first, last)) + curve.m.front() * below + curve.m.back() * above
                         + (std::isnan(x) ? x : 0));
            }
        } else if (r.operation == "hue-sectors") hues(r, v);
        else if (r.operation == "lut-1d") line(r, v);
        else if (r.operation == "lut-3d") lattice(r, v);
        else if (r.operation == "asc-cdl") cdl(r, v);
        else if (r.operation == "exponent")
            for (int c = 0; c < 3; c++) v[c] = exponent(r, c, v[c]);
        else if (r.operation == "range-limits")
            for (int c = 0; c < 3; c++) v[c] = range_limits(r, v[c]);
        else
            for (int c = 0; c < 3; c++) v[c] = r.operation == "transfer" ? transfer(r, v[c]) : logarithm(r, v[c]);
    }
};

// --- what must be refused -------------------------------------------------------------------------------------
bool rises(const vector<double> &v)
{
    for (std::size_t k = 1; k < v.size(); k++)
        if (!(v[k] > v[k - 1])) return false;
    return true;
}

bool refused(const Record &r)
{
    if (r.operation == "tone-curve")
        return r.list("x").size() != r.list("y").size() || !rises(r.list("x")) || !rises(r.list("y"));
    if (r.operation == "hue-sectors") {
        vector<double> hues = r.list("hues_deg"), to = hues;
        for (std::size_t k = 0; k < hues.size(); k++) {
            to[k] += r.list("rotations_deg")[k];
            if (!(r.list("gains")[k] > 0)) return true;
        }
        hues.push_back(hues[0] + 360), to.push_back(to[0] + 360);
        return !rises(hues) || !rises(to);
    }
    if (r.operation == "lut-1d" || r.operation == "lut-3d")
        for (int c = 0; c < 3; c++)
            if (!(r.at("domain_max", c, 1) > r.at("domain_min", c, 0))) return true;
    if (r.operation == "asc-cdl")
        for (int c = 0; c < 3; c++)
            if (r.at("power", c, 1) == 0 || (r.style.compare(0, 3, "Rev") == 0
                && (r.at("slope", c, 1) == 0 || r.at("saturation", 0, 1) == 0))) return true;
    if (r.operation == "exponent" && r.style.compare(0, 3, "mon") == 0)
        for (int c = 0; c < 3; c++)
            if (r.at("exponent", c, 1) <= 1 || r.at("offset", c, 0) <= 0) return true;
    if (r.operation == "range-limits") {
        const bool low = r.has("min_in"), high = r.has("max_in");
        if (low != r.has("min_out") || high != r.has("max_out")) return true;
        const double a = r.at("min_in", 0, 0), b = r.at("max_in", 0, 0), p = r.at("min_out", 0, 0), q = r.at("max_out", 0, 0);
        return low && high ? b <= a || q < p : (low && a != p) || (high && b != q);
    }
    if (r.operation.compare(0, 3, "log") == 0)
        return r.at("base", 0, 2) == 1 || r.at("log_side_slope", 0, 1) == 0 || r.at("lin_side_slope", 0, 1) == 0
               || (r.has("lin_side_break")
                   && r.at("lin_side_slope", 0, 1) * r.at("lin_side_break", 0, 0) + r.at("lin_side_offset", 0, 0) <= 0);
    return false;
}

// --- files ----------------------------------------------------------------------------------------------------
struct File {
    vector<Record> records;
    vector<double> colours;
    double tolerance = 0;
};

vector<double> numbers(std::istream &words)
{
    vector<double> found;
    for (string word; words >> word;) found.push_back(std::strtod(word.c_str(), nullptr));
    return found;
}

File read(const string &path)
{
    File file;
    Record record;
    std::ifstream stream(path);
    const auto rows = [&](int count, vector<double> &into) {
        for (string text; count > 0 && std::getline(stream, text);) {
            if (text.empty() || text[0] == '#') continue;
            std::istringstream words(text);
            const vector<double> row = numbers(words);
            into.insert(into.end(), row.begin(), row.end());
            count--;
        }
    };
    for (string text; std::getline(stream, text);) {
        if (text.empty() || text[0] == '#') continue;
        std::istringstream words(text);
        string key;
        int count = 0;
        words >> key;
        if (key == "operation") {
            record = Record();
            words >> record.operation;
            for (string name; words >> name;) record.chain.push_back(name);
        } else if (key == "table") words >> count, rows(count, record.table);
        else if (key == "tolerance") words >> file.tolerance;
        else if (key == "colours") words >> count, rows(count, file.colours), file.records.push_back(record);
        else if (key == "refused") file.records.push_back(record);
        else if (key == "style") words >> record.style;
        else if (key == "curve") words >> record.curve;
        else if (key == "direction") words >> record.direction;
        else if (key == "interpolation") words >> record.interpolation;
        else record.numbers[key] = numbers(words);
    }
    return file;
}

template <class T> double error(const File &file, const vector<Record> &records)
{
    double worst = 0;
    for (std::size_t k = 0; k < file.colours.size(); k += 6) {
        T v[3] = {T(file.colours[k]), T(file.colours[k + 1]), T(file.colours[k + 2])};
        for (const Record &record : records) Port<T>::apply(record, v);
        for (int c = 0; c < 3; c++) {
            const double got = v[c], want = file.colours[k + 3 + c];
            if (got == want || (std::isnan(got) && std::isnan(want))) continue;
            const double off = std::fabs(got - want) / std::max(1.0, std::fabs(want));
            worst = std::max(worst, std::isfinite(off) ? off : std::numeric_limits<double>::infinity());
        }
    }
    return worst;
}

int main(int count, char **arguments)
{
    for (int k = 2; k < count; k++) {
        const string path = arguments[k];
        File file = read(path);
        if (file.colours.empty()) {
            int taken = 0;
            for (const Record &record : file.records) taken += !refused(record);
            std::printf("%s %d %zu\n", path.c_str(), taken, file.records.size());
            continue;
        }
        vector<Record> records = file.records;
        if (records[0].operation == "chain") {
            const string folder = path.substr(0, path.rfind('/') + 1);
            const vector<string> names = records[0].chain;
            records.clear();
            for (const string &name : names) records.push_back(read(folder + name + ".txt").records[0]);
        }
        for (const Record &record : records)
            if (refused(record)) return std::printf("%s refused\n", path.c_str()), 1;
        const double worst = string(arguments[1]) == "double" ? error<double>(file, records) : error<float>(file, records);
        std::printf("%s %.3g %.3g\n", path.c_str(), worst, file.tolerance);
    }
    return 0;
}
