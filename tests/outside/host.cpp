// A small headless host on the HostSupport library of the OpenFX standard's repository: it renders one frame a job
// through one effect of a bundle, with pictures laid in memory as the job says.
//
// Usage: host FOLDER < jobs. FOLDER holds the bundle. A job is lines of a word and what belongs to it, as outside.py
// writes them, ended by "go"; the answer is lines on standard output, ended by "done". Pixels pass through files: rows
// from the bottom up, without gaps.

#include <algorithm>
#include <atomic>
#include <cstdarg>
#include <cstdio>
#include <cstring>
#include <fstream>
#include <iostream>
#include <iterator>
#include <map>
#include <memory>
#include <mutex>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "ofxCore.h"
#include "ofxImageEffect.h"
#include "ofxPixels.h"

#include "ofxhBinary.h"
#include "ofxhPropertySuite.h"
#include "ofxhClip.h"
#include "ofxhParam.h"
#include "ofxhMemory.h"
#include "ofxhImageEffect.h"
#include "ofxhPluginAPICache.h"
#include "ofxhPluginCache.h"
#include "ofxhHost.h"
#include "ofxhImageEffectAPI.h"
#include "ofxhUtilities.h"

namespace fx = OFX::Host::ImageEffect;
namespace par = OFX::Host::Param;

namespace {

using Numbers = std::vector<double>;

struct Setting {
    Numbers fixed;
    std::map<double, Numbers> keys;
    std::string text;
};

struct Job {
    std::string effect, context = kOfxImageEffectContextFilter, depth = kOfxBitDepthFloat,
                components = kOfxImageComponentRGBA, premultiplication = kOfxImageUnPreMultiplied, source, output;
    int width = 0, height = 0, x = 0, y = 0, padding = 0;
    bool downwards = false;  // the first row of the memory is the top one
    OfxPointD scale = {1.0, 1.0};
    unsigned threads = 1;
    int abort_after = -1;
    double time = 0.0;
    OfxRectI window = {0, 0, 0, 0};
    bool windowed = false;
    std::map<std::string, Setting> settings;

    OfxRectI bounds() const { return {x, y, x + width, y + height}; }
    OfxRectD canonical() const
    {
        return {x / scale.x, y / scale.y, (x + width) / scale.x, (y + height) / scale.y};
    }
    std::size_t pixel_bytes() const
    {
        const std::size_t channels = components == kOfxImageComponentRGBA ? 4 : components == kOfxImageComponentRGB ? 3 : 1;
        return channels * (depth == kOfxBitDepthFloat ? 4 : depth == kOfxBitDepthByte ? 1 : 2);
    }
};

Job job;                       // the one that is being done
double now = 0.0;              // the frame, for parameters asked without a time
std::mutex saying;
constexpr unsigned char FILL = 0x5A;

void say(const char *word, const std::string &text)
{
    std::lock_guard<std::mutex> lock(saying);
    std::cout << word << ' ' << text << std::endl;
}

OfxStatus tell(const char *type, const char *format, va_list words)
{
    char text[2048];
    std::vsnprintf(text, sizeof text, format, words);
    say("message", std::string(type) + " " + text);
    return kOfxStatOK;
}

// --- pictures -----------------------------------------------------------------------------------------------------
class Picture {
public:
    explicit Picture(const Job &of)
        : row(of.width * of.pixel_bytes()), stride(row + of.padding), height(of.height), downwards(of.downwards),
          memory(MARGIN * 2 + stride * of.height, FILL)
    {
    }
    char *at(int y) { return memory.data() + MARGIN + stride * (downwards ? height - 1 - y : y); }
    int row_bytes() const { return downwards ? -int(stride) : int(stride); }
    void read(const std::string &path)
    {
        std::ifstream file(path, std::ios::binary);
        for (int y = 0; y < height; y++) file.read(at(y), row);
        if (!file) throw std::runtime_error(path + " is too short");
    }
    void write(const std::string &path)
    {
        std::ofstream file(path, std::ios::binary);
        for (int y = 0; y < height; y++) file.write(at(y), row);
    }
    // Bytes outside the window that no longer hold what was there before the render.
    long changed_outside(OfxRectI window, std::size_t pixel)
    {
        std::vector<bool> inside(memory.size());
        for (int y = window.y1; y < window.y2; y++)
            for (std::size_t k = window.x1 * pixel; k < window.x2 * pixel; k++) inside[at(y) - memory.data() + k] = true;
        long changed = 0;
        for (std::size_t k = 0; k < memory.size(); k++) changed += !inside[k] && memory[k] != char(FILL);
        return changed;
    }

private:
    static constexpr std::size_t MARGIN = 256;
    std::size_t row, stride;
    int height;
    bool downwards;
    std::vector<char> memory;
};

std::unique_ptr<Picture> source_picture, output_picture;

class Clip : public fx::ClipInstance {
public:
    Clip(fx::Instance *effect, fx::ClipDescriptor &descriptor) : fx::ClipInstance(effect, descriptor) {}
    const std::string &getUnmappedBitDepth() const override { return job.depth; }
    const std::string &getUnmappedComponents() const override { return job.components; }
    const std::string &getPremult() const override { return job.premultiplication; }
    double getAspectRatio() const override { return 1.0; }
    double getFrameRate() const override { return 24.0; }
    void getFrameRange(double &first, double &last) const override { first = 0.0, last = 100.0; }
    const std::string &getFieldOrder() const override
    {
        static const std::string none = kOfxImageFieldNone;
        return none;
    }
    bool getConnected() const override { return true; }
    double getUnmappedFrameRate() const override { return 24.0; }
    void getUnmappedFrameRange(double &first, double &last) const override { first = 0.0, last = 100.0; }
    bool getContinuousSamples() const override { return false; }
    OfxRectD getRegionOfDefinition(OfxTime) const override { return job.canonical(); }
    fx::Image *getImage(OfxTime, const OfxRectD *) override
    {
        Picture &picture = isOutput() ? *output_picture : *source_picture;
        return new fx::Image(*this, job.scale.x, job.scale.y, picture.at(0), job.bounds(), job.bounds(),
                             picture.row_bytes(), kOfxImageFieldNone, isOutput() ? "output" : "source");
    }
};

// --- parameters ---------------------------------------------------------------------------------------------------
// The value of a parameter at a time: the job's, else the descriptor's default; straight between keys.
Numbers at(const par::Instance &parameter, int count, double time)
{
    const auto given = job.settings.find(parameter.getName());
    if (given == job.settings.end()) {
        Numbers values;
        const auto &properties = parameter.getProperties();
        const std::string &type = parameter.getType();
        const bool whole = type == kOfxParamTypeBoolean || type == kOfxParamTypeChoice
                           || type.compare(0, std::strlen(kOfxParamTypeInteger), kOfxParamTypeInteger) == 0;
        for (int k = 0; k < count; k++)
            values.push_back(whole ? properties.getIntProperty(kOfxParamPropDefault, k)
                                   : properties.getDoubleProperty(kOfxParamPropDefault, k));
        return values;
    }
    const auto &keys = given->second.keys;
    if (keys.empty()) return given->second.fixed;
    const auto after = keys.upper_bound(time);
    if (after == keys.begin()) return after->second;
    const auto before = std::prev(after);
    if (after == keys.end()) return before->second;
    Numbers values = before->second;
    const double share = (time - before->first) / (after->first - before->first);
    for (std::size_t k = 0; k < values.size(); k++) values[k] += share * (after->second[k] - values[k]);
    return values;
}

struct Whole : par::IntegerInstance {
    using par::IntegerInstance::IntegerInstance;
    OfxStatus get(int &v) override { return get(now, v); }
    OfxStatus get(OfxTime t, int &v) override { return v = int(at(*this, 1, t)[0]), kOfxStatOK; }
    OfxStatus set(int) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, int) override { return kOfxStatErrUnsupported; }
};

struct Choice : par::ChoiceInstance {
    using par::ChoiceInstance::ChoiceInstance;
    OfxStatus get(int &v) override { return get(now, v); }
    OfxStatus get(OfxTime t, int &v) override { return v = int(at(*this, 1, t)[0]), kOfxStatOK; }
    OfxStatus set(int) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, int) override { return kOfxStatErrUnsupported; }
};

struct Switch : par::BooleanInstance {
    using par::BooleanInstance::BooleanInstance;
    OfxStatus get(bool &v) override { return get(now, v); }
    OfxStatus get(OfxTime t, bool &v) override { return v = at(*this, 1, t)[0] != 0.0, kOfxStatOK; }
    OfxStatus set(bool) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, bool) override { return kOfxStatErrUnsupported; }
};

struct Double : par::DoubleInstance {
    using par::DoubleInstance::DoubleInstance;
    OfxStatus get(double &v) override { return get(now, v); }
    OfxStatus get(OfxTime t, double &v) override { return v = at(*this, 1, t)[0], kOfxStatOK; }
    OfxStatus set(double) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, double) override { return kOfxStatErrUnsupported; }
    OfxStatus derive(OfxTime, double &) override { return kOfxStatErrUnsupported; }
    OfxStatus integrate(OfxTime, OfxTime, double &) override { return kOfxStatErrUnsupported; }
};

struct Double2D : par::Double2DInstance {
    using par::Double2DInstance::Double2DInstance;
    OfxStatus get(double &a, double &b) override { return get(now, a, b); }
    OfxStatus get(OfxTime t, double &a, double &b) override
    {
        const Numbers v = at(*this, 2, t);
        return a = v[0], b = v[1], kOfxStatOK;
    }
    OfxStatus set(double, double) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, double, double) override { return kOfxStatErrUnsupported; }
};

template <class Base> struct Three : Base {
    using Base::Base;
    OfxStatus get(double &a, double &b, double &c) override { return get(now, a, b, c); }
    OfxStatus get(OfxTime t, double &a, double &b, double &c) override
    {
        const Numbers v = at(*this, 3, t);
        return a = v[0], b = v[1], c = v[2], kOfxStatOK;
    }
    OfxStatus set(double, double, double) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, double, double, double) override { return kOfxStatErrUnsupported; }
};

template <class Base> struct Words : Base {
    using Base::Base;
    OfxStatus get(std::string &v) override
    {
        const auto given = job.settings.find(this->getName());
        v = given == job.settings.end() ? this->getProperties().getStringProperty(kOfxParamPropDefault)
                                        : given->second.text;
        return kOfxStatOK;
    }
    OfxStatus get(OfxTime, std::string &v) override { return get(v); }
    OfxStatus set(const char *) override { return kOfxStatErrUnsupported; }
    OfxStatus set(OfxTime, const char *) override { return kOfxStatErrUnsupported; }
};

// --- the effect and the host --------------------------------------------------------------------------------------
class Effect : public fx::Instance {
public:
    Effect(fx::ImageEffectPlugin *plugin, fx::Descriptor &descriptor, const std::string &context)
        : fx::Instance(plugin, descriptor, context, false)
    {
    }
    const std::string &getDefaultOutputFielding() const override
    {
        static const std::string none = kOfxImageFieldNone;
        return none;
    }
    fx::ClipInstance *newClipInstance(fx::Instance *effect, fx::ClipDescriptor *descriptor, int) override
    {
        return new Clip(effect, *descriptor);
    }
    int abort() override
    {
        const int asked = ++aborts;
        return job.abort_after >= 0 && asked > job.abort_after;
    }
    OfxStatus vmessage(const char *type, const char *, const char *format, va_list words) override
    {
        return tell(type, format, words);
    }
    OfxStatus setPersistentMessage(const char *type, const char *, const char *format, va_list words) override
    {
        return tell(type, format, words);
    }
    OfxStatus clearPersistentMessage() override { return kOfxStatOK; }
    void getProjectSize(double &x, double &y) const override
    {
        x = job.width / job.scale.x, y = job.height / job.scale.y;
    }
    void getProjectOffset(double &x, double &y) const override { x = job.canonical().x1, y = job.canonical().y1; }
    void getProjectExtent(double &x, double &y) const override { x = job.canonical().x2, y = job.canonical().y2; }
    double getProjectPixelAspectRatio() const override { return 1.0; }
    double getEffectDuration() const override { return 101.0; }
    double getFrameRate() const override { return 24.0; }
    double getFrameRecursive() const override { return now; }
    void getRenderScaleRecursive(double &x, double &y) const override { x = job.scale.x, y = job.scale.y; }
    void paramChangedByPlugin(par::Instance *) override {}
    par::Instance *newParam(const std::string &name, par::Descriptor &d) override
    {
        const std::string &type = d.getType();
        if (type == kOfxParamTypeInteger) return new Whole(d, this);
        if (type == kOfxParamTypeChoice) return new Choice(d, this);
        if (type == kOfxParamTypeBoolean) return new Switch(d, this);
        if (type == kOfxParamTypeDouble) return new Double(d, this);
        if (type == kOfxParamTypeDouble2D) return new Double2D(d, this);
        if (type == kOfxParamTypeDouble3D) return new Three<par::Double3DInstance>(d, this);
        if (type == kOfxParamTypeRGB) return new Three<par::RGBInstance>(d, this);
        if (type == kOfxParamTypeString) return new Words<par::StringInstance>(d, this);
        if (type == kOfxParamTypeCustom) return new Words<par::CustomInstance>(d, this);
        if (type == kOfxParamTypeGroup) return new par::GroupInstance(d, this);
        if (type == kOfxParamTypePage) return new par::PageInstance(d, this);
        if (type == kOfxParamTypePushButton) return new par::PushbuttonInstance(d, this);
        say("trouble", "parameter " + name + " is of type " + type + ", which this host has not");
        return nullptr;
    }
    OfxStatus editBegin(const std::string &) override { return kOfxStatOK; }
    OfxStatus editEnd() override { return kOfxStatOK; }
    void progressStart(const std::string &, const std::string &) override {}
    void progressEnd() override {}
    bool progressUpdate(double) override { return true; }
    double timeLineGetTime() override { return now; }
    void timeLineGotoTime(double) override {}
    void timeLineGetBounds(double &first, double &last) override { first = 0.0, last = 100.0; }

    std::atomic<int> aborts{0};
};

thread_local unsigned thread_index = 0;
thread_local bool spawned = false;

class Host : public fx::Host {
public:
    Host()
    {
        auto &p = _properties;
        p.setIntProperty(kOfxPropAPIVersion, 1, 0);
        p.setIntProperty(kOfxPropAPIVersion, 5, 1);
        p.setStringProperty(kOfxPropName, "org.huewright.outside");
        p.setStringProperty(kOfxPropLabel, "a host on HostSupport");
        p.setIntProperty(kOfxImageEffectHostPropIsBackground, 1);
        p.setIntProperty(kOfxImageEffectPropSupportsOverlays, 0);
        p.setIntProperty(kOfxImageEffectPropSupportsMultiResolution, 1);
        p.setIntProperty(kOfxImageEffectPropSupportsTiles, 1);
        p.setIntProperty(kOfxImageEffectPropTemporalClipAccess, 1);
        p.setIntProperty(kOfxImageEffectPropSupportsMultipleClipDepths, 0);
        p.setIntProperty(kOfxImageEffectPropSupportsMultipleClipPARs, 0);
        p.setIntProperty(kOfxParamHostPropMaxParameters, -1);
        const char *components[] = {kOfxImageComponentRGBA, kOfxImageComponentRGB, kOfxImageComponentAlpha};
        const char *contexts[] = {kOfxImageEffectContextFilter, kOfxImageEffectContextGeneral};
        for (int k = 0; k < 3; k++) p.setStringProperty(kOfxImageEffectPropSupportedComponents, components[k], k);
        for (int k = 0; k < 2; k++) p.setStringProperty(kOfxImageEffectPropSupportedContexts, contexts[k], k);
    }
    fx::Instance *newInstance(void *, fx::ImageEffectPlugin *plugin, fx::Descriptor &descriptor,
                              const std::string &context) override
    {
        return new Effect(plugin, descriptor, context);
    }
    fx::Descriptor *makeDescriptor(fx::ImageEffectPlugin *plugin) override { return new fx::Descriptor(plugin); }
    fx::Descriptor *makeDescriptor(const fx::Descriptor &root, fx::ImageEffectPlugin *plugin) override
    {
        return new fx::Descriptor(root, plugin);
    }
    fx::Descriptor *makeDescriptor(const std::string &path, fx::ImageEffectPlugin *plugin) override
    {
        return new fx::Descriptor(path, plugin);
    }
    OfxStatus vmessage(const char *type, const char *, const char *format, va_list words) override
    {
        return tell(type, format, words);
    }
    OfxStatus setPersistentMessage(const char *type, const char *, const char *format, va_list words) override
    {
        return tell(type, format, words);
    }
    OfxStatus clearPersistentMessage() override { return kOfxStatOK; }

    OfxStatus multiThread(OfxThreadFunctionV1 work, unsigned count, void *argument) override
    {
        if (spawned) return kOfxStatErrExists;
        std::vector<std::thread> all;
        for (unsigned k = 0; k < count; k++)
            all.emplace_back([=] {
                thread_index = k, spawned = true;
                work(k, count, argument);
            });
        for (auto &one : all) one.join();
        return kOfxStatOK;
    }
    OfxStatus multiThreadNumCPUS(unsigned *count) const override { return *count = job.threads, kOfxStatOK; }
    OfxStatus multiThreadIndex(unsigned *index) const override { return *index = thread_index, kOfxStatOK; }
    int multiThreadIsSpawnedThread() const override { return spawned; }
    OfxStatus mutexCreate(OfxMutexHandle *place, int locks) override
    {
        auto *made = new std::recursive_mutex;
        for (int k = 0; k < locks; k++) made->lock();
        return *place = reinterpret_cast<OfxMutexHandle>(made), kOfxStatOK;
    }
    OfxStatus mutexDestroy(const OfxMutexHandle m) override { return delete mutex_of(m), kOfxStatOK; }
    OfxStatus mutexLock(const OfxMutexHandle m) override { return mutex_of(m)->lock(), kOfxStatOK; }
    OfxStatus mutexUnLock(const OfxMutexHandle m) override { return mutex_of(m)->unlock(), kOfxStatOK; }
    OfxStatus mutexTryLock(const OfxMutexHandle m) override
    {
        return mutex_of(m)->try_lock() ? kOfxStatOK : kOfxStatFailed;
    }

private:
    static std::recursive_mutex *mutex_of(OfxMutexHandle m) { return reinterpret_cast<std::recursive_mutex *>(m); }
};

// --- a job --------------------------------------------------------------------------------------------------------
bool went_well(const char *what, OfxStatus status)
{
    if (status == kOfxStatOK || status == kOfxStatReplyDefault) return true;
    say("status", std::string(what) + " " + OFX::StatStr(status));
    return false;
}

void render(Effect &effect, const OfxRectI &window)
{
    std::string from;
    OfxTime time = job.time;
    OfxRectD region;
    std::map<fx::ClipInstance *, OfxRectD> regions;
    if (!went_well("define", effect.getRegionOfDefinitionAction(job.time, job.scale, region))) return;
    const OfxRectD wanted = {window.x1 / job.scale.x, window.y1 / job.scale.y, window.x2 / job.scale.x,
                             window.y2 / job.scale.y};
    if (!went_well("interest", effect.getRegionOfInterestAction(job.time, job.scale, wanted, regions))) return;
    const OfxStatus same = effect.isIdentityAction(time, kOfxImageFieldNone, window, job.scale, from);
    if (!went_well("identity", same)) return;
    if (same == kOfxStatOK && !from.empty()) {
        say("identity", from);
        return;
    }
    const OfxStatus status = effect.renderAction(job.time, kOfxImageFieldNone, window, job.scale, true, false, false);
    say("status", std::string("render ") + OFX::StatStr(status));
    say("aborts", std::to_string(effect.aborts));
    const OfxRectI inside = {window.x1 - job.x, window.y1 - job.y, window.x2 - job.x, window.y2 - job.y};
    say("outside", std::to_string(output_picture->changed_outside(inside, job.pixel_bytes())));
    output_picture->write(job.output);
}

void do_job(fx::PluginCache &cache)
{
    fx::ImageEffectPlugin *plugin = cache.getPluginById(job.effect);
    if (!plugin) throw std::runtime_error("there is no effect " + job.effect);
    std::unique_ptr<fx::Instance> made(plugin->createInstance(job.context, nullptr));
    auto *effect = dynamic_cast<Effect *>(made.get());
    if (!effect) throw std::runtime_error("no instance in " + job.context);
    now = job.time;
    source_picture = std::make_unique<Picture>(job), output_picture = std::make_unique<Picture>(job);
    source_picture->read(job.source);
    if (!went_well("create", effect->createInstanceAction())) return;
    if (!effect->getClipPreferences()) throw std::runtime_error("the clip preferences were refused");
    for (const char *name : {kOfxImageEffectOutputClipName, kOfxImageEffectSimpleSourceClipName}) {
        const auto *clip = effect->getClip(name);
        if (!clip || clip->getPixelDepth() != job.depth || clip->getComponents() != job.components)
            throw std::runtime_error(std::string(name) + " is to be " + (clip ? clip->getPixelDepth() + " " + clip->getComponents() : "nothing"));
    }
    if (!went_well("begin", effect->beginRenderAction(job.time, job.time, 1.0, false, job.scale, true, false))) return;
    render(*effect, job.windowed ? job.window : job.bounds());
    went_well("end", effect->endRenderAction(job.time, job.time, 1.0, false, job.scale, true, false));
}

Numbers rest(std::istream &line)
{
    return {std::istream_iterator<double>(line), std::istream_iterator<double>()};
}

std::string text(std::istream &line)
{
    std::string all;
    std::getline(line >> std::ws, all);
    return all;
}

void take(const std::string &word, std::istream &line)
{
    std::string name;
    double moment;
    if (word == "effect") line >> job.effect;
    else if (word == "context") line >> job.context;
    else if (word == "depth") line >> job.depth;
    else if (word == "components") line >> job.components;
    else if (word == "premultiplication") line >> job.premultiplication;
    else if (word == "size") line >> job.width >> job.height;
    else if (word == "origin") line >> job.x >> job.y;
    else if (word == "padding") line >> job.padding;
    else if (word == "downwards") line >> job.downwards;
    else if (word == "scale") line >> job.scale.x >> job.scale.y;
    else if (word == "threads") line >> job.threads;
    else if (word == "abort") line >> job.abort_after;
    else if (word == "time") line >> job.time;
    else if (word == "window") line >> job.window.x1 >> job.window.y1 >> job.window.x2 >> job.window.y2, job.windowed = true;
    else if (word == "source") job.source = text(line);
    else if (word == "output") job.output = text(line);
    else if (word == "value") line >> name, job.settings[name].fixed = rest(line);
    else if (word == "text") line >> name, job.settings[name].text = text(line);
    else if (word == "key") line >> name >> moment, job.settings[name].keys[moment] = rest(line);
    else throw std::runtime_error("no such word in a job: " + word);
}

}  // namespace

int main(int count, char **arguments)
{
    if (count != 2) return std::fprintf(stderr, "usage: host FOLDER < jobs\n"), 2;
    Host host;
    auto *all = OFX::Host::PluginCache::getPluginCache();
    all->setCacheVersion("1");
    all->addFileToPath(arguments[1]);
    {
        fx::PluginCache effects(host);
        effects.registerInCache(*all);
        all->scanPluginFiles();
        std::string words;
        while (std::getline(std::cin, words)) {
            std::istringstream line(words);
            std::string word;
            line >> word;
            try {
                if (word != "go") {
                    take(word, line);
                    continue;
                }
                do_job(effects);
            } catch (const std::exception &error) {
                say("trouble", error.what());
            }
            say("done", "");
            job = Job();
        }
        OFX::Host::PluginCache::clearPluginCache();
    }
    return 0;
}
