#include "core/ears.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

namespace pipebeat::core {

namespace {

constexpr int most_channels_compared = 64;
constexpr double compare_channels_s = 15.0;
constexpr std::size_t block_frames = 4096;

}  // namespace

Result<Ears> Ears::create(const Engine& engine, Hertz sample_rate, int channels,
                          std::optional<int> only, const ListenerOptions& options) {
  std::vector<Ear> ears;
  const int first = only ? *only - 1 : 0;
  const int last = only ? first + 1 : std::min(channels, most_channels_compared);
  for (int c = first; c < last; ++c) {
    auto listener = Listener::create(engine, sample_rate, options);
    if (!listener) return tl::unexpected(listener.error());
    ears.push_back({c, std::move(*listener)});
  }
  const long compared = std::lround(compare_channels_s * sample_rate.value());
  return Ears{std::move(ears), channels, static_cast<std::size_t>(compared)};
}

Ears::Ears(std::vector<Ear> ears, int channels, std::size_t compared_frames)
    : ears_{std::move(ears)},
      channels_{static_cast<std::size_t>(channels)},
      compared_frames_{compared_frames},
      mono_(block_frames) {}

void Ears::push(std::span<const float> interleaved) {
  while (interleaved.size() >= channels_) {
    // Steps end where the choice falls.
    std::size_t frames = std::min(interleaved.size() / channels_, block_frames);
    if (frames_ < compared_frames_) frames = std::min(frames, compared_frames_ - frames_);
    for (Ear& ear : ears_) {
      const auto channel = static_cast<std::size_t>(ear.channel);
      if (channels_ == 1) {
        ear.listener.push(interleaved.first(frames));
        continue;
      }
      for (std::size_t i = 0; i < frames; ++i) mono_[i] = interleaved[i * channels_ + channel];
      ear.listener.push(std::span{mono_}.first(frames));
    }
    frames_ += frames;
    interleaved = interleaved.subspan(frames * channels_);
    if (frames_ == compared_frames_) keep_best();
  }
}

std::size_t Ears::loudest_beat() const {
  std::size_t best = 0;
  double most = -1.0;
  if (ears_.size() == 1) return best;
  for (std::size_t i = 0; i < ears_.size(); ++i) {
    const double beat = ears_[i].listener.finding().input.beat;
    if (beat > most) {
      most = beat;
      best = i;
    }
  }
  return best;
}

void Ears::keep_best() {
  std::swap(ears_.front(), ears_[loudest_beat()]);
  ears_.erase(ears_.begin() + 1, ears_.end());
}

const Listener& Ears::best() const { return ears_[loudest_beat()].listener; }

int Ears::best_channel() const { return ears_[loudest_beat()].channel + 1; }

Listener Ears::take_best() {
  keep_best();
  return std::move(ears_.front().listener);
}

}  // namespace pipebeat::core
