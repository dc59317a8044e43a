#include "cli/hear.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <vector>

#include "audio/reader.hpp"

namespace pipebeat::cli {

namespace {

constexpr int most_channels_compared = 64;
constexpr double compare_channels_s = 15.0;
constexpr double long_recording_s = 60.0;
constexpr std::int64_t block_frames = 4096;

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
    const auto filled = static_cast<std::size_t>(percent) * 2 / 5;
    fmt::print(stderr, "\rlistening [{:<40}] {:3} %", std::string(filled, '#'), percent);
    std::fflush(stderr);
  }

 private:
  bool shown_;
  int drawn_ = -1;
};

struct Ear {
  int channel;  ///< 0-based
  Listener listener;
};

void keep_best(std::vector<Ear>& ears) {
  if (ears.size() < 2) return;
  std::size_t best = 0;
  double most = -1.0;
  for (std::size_t i = 0; i < ears.size(); ++i) {
    const double beat = ears[i].listener.finding().input.beat;
    if (beat > most) {
      most = beat;
      best = i;
    }
  }
  std::swap(ears.front(), ears[best]);
  ears.erase(ears.begin() + 1, ears.end());
}

}  // namespace

Result<Heard> hear(const std::string& path, const Engine& engine, const HearOptions& options) {
  const std::string name = path == "-" ? "standard input" : path;
  auto reader = audio::AudioReader::open(path);
  if (!reader) return tl::unexpected(reader.error());

  const int channels = reader->channels();
  if (options.channel && (*options.channel < 1 || *options.channel > channels)) {
    return fail(ErrorCode::bad_argument,
                fmt::format("{}: there is no channel {}", name, *options.channel),
                fmt::format("it has {}: give --channel 1 to {}, or leave the choice to pipebeat",
                            channels, channels));
  }
  std::vector<Ear> ears;
  const int first = options.channel ? *options.channel - 1 : 0;
  const int last = options.channel ? first + 1 : std::min(channels, most_channels_compared);
  for (int c = first; c < last; ++c) {
    auto listener = Listener::create(engine, reader->sample_rate(), options.listener);
    if (!listener) {
      Error error = listener.error();
      error.what = name + ": " + error.what;
      return tl::unexpected(error);
    }
    ears.push_back({c, std::move(*listener)});
  }

  const double rate = reader->sample_rate().value();
  const auto total = reader->frames();
  ProgressBar bar{options.progress && total &&
                  static_cast<double>(total->value()) > long_recording_s * rate};
  const auto stride = static_cast<std::size_t>(channels);
  const auto compared = static_cast<std::int64_t>(std::lround(compare_channels_s * rate));
  std::vector<float> block(static_cast<std::size_t>(block_frames) * stride);
  std::vector<float> mono(static_cast<std::size_t>(block_frames));
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
    // Blocks end where the choice of channel falls, so that it never depends on their size.
    std::int64_t want = block_frames;
    if (heard < compared) want = std::min(want, compared - heard);
    want = std::min(want, last_frame - skip - heard);
    if (want <= 0) break;
    const std::int64_t got =
        reader->read(std::span{block}.first(static_cast<std::size_t>(want) * stride)).value();
    if (got == 0) break;
    const auto frames = static_cast<std::size_t>(got);
    for (Ear& ear : ears) {
      for (std::size_t i = 0; i < frames; ++i) {
        mono[i] = block[i * stride + static_cast<std::size_t>(ear.channel)];
      }
      ear.listener.push(std::span{mono}.first(frames));
    }
    heard += got;
    if (heard == compared) keep_best(ears);
    if (total) bar.at(static_cast<double>(heard) / static_cast<double>(total->value()));
  }
  if (heard == 0 && skip > 0) {
    return fail(ErrorCode::bad_argument,
                fmt::format("{}: it ends before {:g} s", name, options.from_s),
                "check the times of the marks");
  }
  if (heard == 0) {
    return fail(ErrorCode::unreadable, name + ": no sound in it, or it is damaged",
                "record again, or copy the recording from the phone once more");
  }
  keep_best(ears);
  return Heard{std::move(ears.front().listener), ears.front().channel + 1, reader->broke_off()};
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
  return *known_good;
}

}  // namespace pipebeat::cli
