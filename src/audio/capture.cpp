#include "audio/capture.hpp"

#include <fcntl.h>
#include <fmt/format.h>
#include <portaudio.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <cstdlib>

#include "audio/descriptor.hpp"

namespace pipebeat::audio {

namespace {

/// The sound libraries talk to standard error while they look for devices that aren't there; a
/// mechanic would take that for trouble. Standard error is shut while this object lives.
class Hush {
 public:
  Hush() : standard_error_{::dup(STDERR_FILENO)} {
    const Descriptor nowhere{::open("/dev/null", O_WRONLY | O_CLOEXEC)};
    if (standard_error_ && nowhere) ::dup2(nowhere.get(), STDERR_FILENO);
  }
  ~Hush() {
    if (standard_error_) ::dup2(standard_error_.get(), STDERR_FILENO);
  }
  Hush(const Hush&) = delete;
  Hush& operator=(const Hush&) = delete;

 private:
  Descriptor standard_error_;
};

/// PortAudio, started and ended once for each object; it counts.
class SoundSystem {
 public:
  SoundSystem() {
    // Asking for devices must not start a sound server that nobody wanted.
    ::setenv("JACK_NO_START_SERVER", "1", 0);
    const Hush hush;
    status_ = Pa_Initialize();
  }
  ~SoundSystem() {
    const Hush hush;
    if (status_ == paNoError) Pa_Terminate();
  }
  SoundSystem(const SoundSystem&) = delete;
  SoundSystem& operator=(const SoundSystem&) = delete;
  [[nodiscard]] PaError status() const { return status_; }

 private:
  PaError status_ = paNoError;
};

std::string reason(PaError status) {
  const PaHostErrorInfo* host = status == paUnanticipatedHostError ? Pa_GetLastHostErrorInfo() : nullptr;
  return host != nullptr && host->errorText != nullptr ? host->errorText : Pa_GetErrorText(status);
}

InputDevice describe(int number, const PaDeviceInfo& info) {
  const PaHostApiInfo* api = Pa_GetHostApiInfo(info.hostApi);
  return {number,
          info.name != nullptr ? info.name : "",
          api != nullptr ? api->name : "",
          info.maxInputChannels,
          Hertz{info.defaultSampleRate},
          Seconds{info.defaultHighInputLatency}};
}

InputDevices list() {
  InputDevices devices;
  for (int i = 0; i < Pa_GetDeviceCount(); ++i) {
    const PaDeviceInfo* info = Pa_GetDeviceInfo(i);
    if (info != nullptr && info->maxInputChannels > 0) devices.all.push_back(describe(i, *info));
  }
  const int usual = Pa_GetDefaultInputDevice();
  const bool listed = std::any_of(devices.all.begin(), devices.all.end(),
                                  [&](const InputDevice& d) { return d.number == usual; });
  if (listed) {
    devices.preferred = usual;
    devices.why = "the system records from it by default";
  } else if (!devices.all.empty()) {
    devices.preferred = devices.all.front().number;
    devices.why = "the first one; the system names none to record from by default";
  }
  return devices;
}

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return text;
}

tl::unexpected<Error> no_device() {
  // Linux shows devices to the group "audio" only; without it there seem to be none.
  if (::access("/dev/snd", F_OK) == 0 && ::access("/dev/snd/seq", R_OK) != 0 && errno == EACCES) {
    return fail(ErrorCode::no_permission, "no permission to use the sound devices",
                "join the group \"audio\" (sudo adduser $USER audio) and log in again");
  }
  return fail(ErrorCode::not_found, "there is no device to record from",
              "plug in a microphone and see `pipebeat devices`, or record with a phone and use "
              "`pipebeat check`");
}

Result<InputDevice> choose(const std::string& wanted) {
  const InputDevices devices = list();
  if (devices.all.empty()) return no_device();
  std::vector<InputDevice> fitting;
  int number = -1;
  const char* end = wanted.data() + wanted.size();
  const auto parsed = std::from_chars(wanted.data(), end, number);
  const bool by_number = !wanted.empty() && parsed.ec == std::errc{} && parsed.ptr == end;
  for (const InputDevice& d : devices.all) {
    if (wanted.empty() ? d.number == devices.preferred : by_number && d.number == number) return d;
    if (!wanted.empty() && d.name == wanted) return d;
    if (!by_number && lower(d.name).find(lower(wanted)) != std::string::npos) fitting.push_back(d);
  }
  if (fitting.size() == 1) return fitting.front();
  if (fitting.empty()) {
    return fail(ErrorCode::not_found, fmt::format("--device {}: no such device to record from", wanted),
                "`pipebeat devices` lists them; give the number or a part of the name");
  }
  return fail(ErrorCode::not_found,
              fmt::format("--device {}: {} devices are called so", wanted, fitting.size()),
              "give more of the name, or the number that `pipebeat devices` shows");
}

tl::unexpected<Error> open_trouble(PaError status, const InputDevice& device, double rate) {
  switch (status) {
    case paInvalidSampleRate:
      return fail(ErrorCode::bad_argument,
                  fmt::format("{}: it does not record at {:.0f} Hz", device.name, rate),
                  fmt::format("leave out --rate, or give its own, {:.0f}", device.default_rate.value()));
    case paDeviceUnavailable:
      return fail(ErrorCode::device,
                  fmt::format("{}: the device is busy or was pulled out", device.name),
                  "close other programs that record, check the plug, or choose another with --device");
    default: {
      std::string hint = "check the plug, or choose another with --device (see `pipebeat devices`)";
      const std::string why = reason(status);
      if (why.find("Permission") != std::string::npos) {
        return fail(ErrorCode::no_permission, fmt::format("{}: no permission to record", device.name),
                    "allow recording in the system's privacy settings, or join the group \"audio\"");
      }
      return fail(ErrorCode::device, fmt::format("{}: it can't be opened ({})", device.name, why),
                  std::move(hint));
    }
  }
}

/// What the device's thread works with.
struct Tap {
  SampleQueue* queue = nullptr;
  std::size_t channels = 1;
  std::size_t channel = 0;
  std::atomic<std::int64_t> frames{0};
  std::atomic<std::int64_t> gaps{0};
};

int take_block(const void* input, void* /*output*/, unsigned long frames,
               const PaStreamCallbackTimeInfo* /*time*/, PaStreamCallbackFlags flags,
               void* user_data) {
  auto& tap = *static_cast<Tap*>(user_data);
  if ((flags & paInputOverflow) != 0) tap.gaps.fetch_add(1, std::memory_order_relaxed);
  if (input == nullptr) return paContinue;
  const auto* samples = static_cast<const float*>(input);
  if (tap.channels == 1) {
    tap.queue->push({samples, frames});
  } else {
    std::array<float, 256> one{};
    for (unsigned long done = 0; done < frames;) {
      const unsigned long part = std::min<unsigned long>(one.size(), frames - done);
      for (unsigned long i = 0; i < part; ++i) {
        one[i] = samples[(done + i) * tap.channels + tap.channel];
      }
      tap.queue->push({one.data(), part});
      done += part;
    }
  }
  tap.frames.fetch_add(static_cast<std::int64_t>(frames), std::memory_order_relaxed);
  return paContinue;
}

}  // namespace

Result<InputDevices> input_devices() {
  const SoundSystem system;
  if (system.status() != paNoError) {
    return fail(ErrorCode::device,
                fmt::format("the sound system does not start ({})", reason(system.status())),
                "check that sound works in other programs");
  }
  return list();
}

struct Capture::State {
  SoundSystem system;
  InputDevice device;
  double rate = 0.0;
  PaStream* stream = nullptr;
  Tap tap;

  ~State() { close(); }
  void close() {
    if (stream == nullptr) return;
    const Hush hush;
    Pa_AbortStream(stream);
    Pa_CloseStream(stream);
    stream = nullptr;
  }
};

Capture::Capture(std::unique_ptr<State> state) : state_{std::move(state)} {}
Capture::Capture(Capture&&) noexcept = default;
Capture& Capture::operator=(Capture&&) noexcept = default;
Capture::~Capture() = default;

Result<Capture> Capture::open(const CaptureOptions& options) {
  auto state = std::make_unique<State>();
  if (state->system.status() != paNoError) {
    return fail(ErrorCode::device,
                fmt::format("the sound system does not start ({})", reason(state->system.status())),
                "check that sound works in other programs");
  }
  auto device = choose(options.device);
  if (!device) return tl::unexpected(device.error());
  state->device = std::move(*device);
  if (options.channel < 1 || options.channel > state->device.channels) {
    return fail(ErrorCode::bad_argument,
                fmt::format("--channel {}: {} has {}", options.channel, state->device.name,
                            state->device.channels),
                "leave out --channel, or choose another device");
  }
  state->rate = options.rate.value_or(state->device.default_rate).value();
  state->tap.channels = static_cast<std::size_t>(options.channel);
  state->tap.channel = state->tap.channels - 1;

  // A comfortable latency: a verdict takes seconds, a lost frame is lost for good, and every block
  // that is handed over wakes two threads.
  constexpr double latency_s = 0.1;
  const PaStreamParameters input{state->device.number, options.channel, paFloat32,
                                 std::max(latency_s, state->device.latency.value()), nullptr};
  const Hush hush;
  const PaError status =
      Pa_OpenStream(&state->stream, &input, nullptr, state->rate, paFramesPerBufferUnspecified,
                    paClipOff | paDitherOff, take_block, &state->tap);
  if (status != paNoError) {
    state->stream = nullptr;
    return open_trouble(status, state->device, state->rate);
  }
  if (const PaStreamInfo* info = Pa_GetStreamInfo(state->stream)) state->rate = info->sampleRate;
  return Capture{std::move(state)};
}

const InputDevice& Capture::device() const { return state_->device; }

Hertz Capture::sample_rate() const { return Hertz{state_->rate}; }

Result<void> Capture::start(SampleQueue& queue) {
  state_->tap.queue = &queue;
  const Hush hush;
  if (const PaError status = Pa_StartStream(state_->stream); status != paNoError) {
    return open_trouble(status, state_->device, state_->rate);
  }
  return {};
}

bool Capture::alive() const { return state_->stream != nullptr && Pa_IsStreamActive(state_->stream) == 1; }

std::int64_t Capture::frames_seen() const {
  return state_->tap.frames.load(std::memory_order_relaxed);
}

std::int64_t Capture::gaps() const { return state_->tap.gaps.load(std::memory_order_relaxed); }

void Capture::stop() { state_->close(); }

}  // namespace pipebeat::audio
