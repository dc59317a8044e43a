#include "cli/hear.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <system_error>
#include <vector>

#include "audio/reader.hpp"
#include "cli/command.hpp"
#include "core/ears.hpp"
#include "core/same_sound.hpp"

namespace pipebeat::cli {

namespace {

constexpr double long_recording_s = 60.0;
constexpr std::int64_t block_samples = 16384;  // of all channels

/// A bar that is drawn over itself, and gone at the end.
class ProgressBar {
 public:
  explicit ProgressBar(bool shown) : shown_{shown} {}
  ProgressBar(const ProgressBar&) = delete;
  ProgressBar& operator=(const ProgressBar&) = delete;
  ~ProgressBar() {
    if (drawn_ >= 0) std::fputs("\r\x1b[K", stderr);
  }
  void at(double share) {
    const int percent = static_cast<int>(100.0 * std::clamp(share, 0.0, 1.0));
    if (!shown_ || percent == drawn_) return;
    drawn_ = percent;
    // A line longer than the terminal would not be drawn over.
    constexpr int words = 20;
    const int length = std::clamp(columns(STDERR_FILENO) - words, 4, 40);
    const auto filled = static_cast<std::size_t>(percent * length / 100);
    fmt::print(stderr, "\rlistening [{:<{}}] {:3} %", std::string(filled, '#'), length, percent);
    std::fflush(stderr);
  }

 private:
  bool shown_;
  int drawn_ = -1;
};

}  // namespace

Result<HearOptions> hear_options(const EngineOptions& engine, std::optional<int> channel) {
  const auto speed_guess = engine.speed_guess();
  if (!speed_guess) return tl::unexpected(speed_guess.error());
  HearOptions options;
  options.listener.speed_guess = *speed_guess;
  options.channel = channel;
  options.progress = ::isatty(STDERR_FILENO) != 0;
  return options;
}

Result<Heard> hear(const std::string& path, const Engine& engine, const HearOptions& options) {
  const std::string name = path == "-" ? "standard input" : path;
  auto reader = audio::AudioReader::open(path);
  if (!reader) return tl::unexpected(reader.error());

  const int channels = reader->channels();
  if (options.channel && (*options.channel < 1 || *options.channel > channels)) {
    return fail(ErrorCode::bad_argument,
                fmt::format("{}: there is no channel {}", name, *options.channel),
                channels == 1 ? std::string{"it has one: leave --channel out"}
                              : fmt::format("it has {}: give --channel 1 to {}, or leave the choice to pipebeat",
                                            channels, channels));
  }
  auto ears = core::Ears::create(engine, reader->sample_rate(), channels, options.channel,
                                 options.listener);
  if (!ears) {
    Error error = ears.error();
    error.what = name + ": " + error.what;
    return tl::unexpected(error);
  }

  const double rate = reader->sample_rate().value();
  const auto total = reader->frames();
  ProgressBar bar{options.progress && total &&
                  static_cast<double>(total->value()) > long_recording_s * rate};
  const auto stride = static_cast<std::size_t>(channels);
  const std::int64_t block_frames = std::max<std::int64_t>(1, block_samples / channels);
  std::vector<float> block(static_cast<std::size_t>(block_frames) * stride);
  constexpr double longest_s = 1e9;  // keeps frame counts far from overflow
  const std::int64_t skip = std::llround(std::min(options.from_s, longest_s) * rate);
  const std::int64_t last_frame = std::llround(std::min(options.to_s, longest_s) * rate);
  for (std::int64_t skipped = 0; skipped < skip;) {
    const std::int64_t want = std::min(block_frames, skip - skipped);
    const std::int64_t got =
        reader->read(std::span{block}.first(static_cast<std::size_t>(want) * stride)).value();
    if (got == 0) break;
    skipped += got;
  }
  std::int64_t heard = 0;
  for (;;) {
    const std::int64_t want = std::min(block_frames, last_frame - skip - heard);
    if (want <= 0) break;
    const std::int64_t got =
        reader->read(std::span{block}.first(static_cast<std::size_t>(want) * stride)).value();
    if (got == 0) break;
    ears->push(std::span{block}.first(static_cast<std::size_t>(got) * stride));
    heard += got;
    if (total) bar.at(static_cast<double>(heard) / static_cast<double>(total->value()));
  }
  if (heard == 0 && skip > 0) {
    return fail(ErrorCode::bad_argument,
                fmt::format("{}: it ends before {:g} s, where the marks lie", name, options.from_s),
                "give their times in seconds from its beginning");
  }
  if (heard == 0) {
    return fail(ErrorCode::unreadable, name + ": no sound in it, or it is damaged",
                "record again, or copy the recording from the phone once more");
  }
  Listener listener = ears->take_best();
  return Heard{std::move(listener), ears->best_channel(), reader->broke_off()};
}

bool is_multiple(Rpm speed, Rpm of) {
  constexpr double close = 0.15;
  constexpr std::array<double, 6> multiples{2.0, 1.5, 4.0 / 3.0, 3.0 / 4.0, 2.0 / 3.0, 0.5};
  return std::any_of(multiples.begin(), multiples.end(), [&](double m) { return std::abs(speed.value() / of.value() / m - 1.0) < close; });
}

Result<Heard> hear_near(const std::string& path, const Engine& engine, HearOptions options, Rpm speed) {
  options.listener.speed_guess = speed;
  return hear(path, engine, options);
}

Result<void> expect_another(const std::string& path, const Listener& listener, std::vector<HeardBefore>& before) {
  for (const HeardBefore& other : before) {
    std::error_code no_such_file;
    const bool same = path == other.path || std::filesystem::equivalent(path, other.path, no_such_file) ||
                      core::same_sound(listener.cycles(), other.cycles);
    if (!same) continue;
    return fail(ErrorCode::bad_argument,
                path == other.path ? path + ": it is given twice"
                                   : fmt::format("{}: it is the same recording as {}", path, other.path),
                "give a recording of its own for everything plugged in, and for each cylinder unplugged");
  }
  before.push_back({path, listener.cycles()});
  return {};
}

Result<KnownGood> learn(const std::string& path, const Engine& engine, const HearOptions& options) {
  auto heard = hear(path, engine, options);
  if (!heard) return tl::unexpected(heard.error());
  auto known_good = heard->listener.as_known_good();
  if (!known_good) {
    return fail(ErrorCode::bad_argument,
                path + ": no engine was heard in it, so it can't serve as --known-good",
                "give a recording of the same engine running well");
  }
  if (is_miss(heard->listener.finding().verdict)) {
    return fail(ErrorCode::bad_argument,
                path + ": this engine misses in it, so it can't serve as --known-good",
                "give a recording of the same engine running well, or leave --known-good out");
  }
  return *known_good;
}

}  // namespace pipebeat::cli
