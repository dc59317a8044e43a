// Makes recordings whose truth is known: one scene, or a set of random ones.
#include <fmt/format.h>
#include <CLI/CLI.hpp>
#include <algorithm>
#include <exception>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "catalogue.hpp"
#include "render.hpp"

namespace {

using namespace pipebeat::synth;

std::string text_of(const std::string& path) {
  std::ifstream in{path};
  if (!in)
    throw std::runtime_error(path + ": no such scene file; synth --list names the built-in ones");
  std::ostringstream text;
  text << in.rdbuf();
  return text.str();
}

void write_text(const std::string& path, const std::string& text) {
  std::ofstream out{path};
  out << text;
  if (!out.flush()) throw std::runtime_error(path + ": cannot be written");
}

Scene named(const std::string& name) {
  for (const NamedScene& s : named_scenes()) {
    if (s.name == name) return s.scene;
  }
  throw std::runtime_error("no scene is named \"" + name + "\"; synth --list names them all");
}

void write_scene(const Scene& scene, const std::string& out, const std::string& truth) {
  const Recording recording = render(scene);
  write_audio(out, recording);
  if (!truth.empty())
    write_text(truth,
               label(scene, recording, std::filesystem::path{out}.filename().string()) + "\n");
}

void write_set(int count, std::uint64_t seed, bool lossy, bool no_engine, const std::string& pipes,
               const std::string& set, const std::string& directory, int part, int parts) {
  std::filesystem::create_directories(directory);
  const std::string suffix = parts > 1 ? fmt::format("-{}", part) : "";
  std::ofstream labels{std::filesystem::path{directory} / ("labels" + suffix + ".jsonl")};
  std::vector<Scene> scenes = random_scenes(count, seed, lossy, no_engine);
  for (Scene& scene : scenes) {
    if (!pipes.empty()) scene.engine.pipes = pipes;
    check(scene);
  }
  for (int i = part; i < count; i += parts) {
    const std::string file = fmt::format("{}_{:04d}.flac", set, i);
    const Scene& scene = scenes[static_cast<std::size_t>(i)];
    const Recording recording = render(scene);
    write_audio((std::filesystem::path{directory} / file).string(), recording);
    labels << label(scene, recording, file) << '\n';
  }
  if (!labels.flush()) throw std::runtime_error(directory + ": the labels cannot be written");
}

}  // namespace

int main(int argc, char** argv) {
  CLI::App app{
      "Make engine recordings whose truth is known.\n"
      "Example: synth --named dead-four -o dead.wav --truth dead.json\n"
      "Example: synth --random 200 --seed 1 --out scenes"};
  std::string scene_file, name, out, truth, directory, set = "random", pipes;
  int count = 0, part = 0, parts = 1;
  std::uint64_t seed = 1;
  bool list = false, lossy = false, no_engine = false, print = false;
  app.add_option("scene", scene_file, "a scene description, JSON");
  app.add_option("--named", name, "a built-in scene");
  app.add_flag("--list", list, "list the built-in scenes");
  app.add_flag("--print", print, "print the scene's description instead of rendering it");
  app.add_option("-o,--output", out, "the recording to write, .wav or .flac");
  app.add_option("--truth", truth, "write the truth here, JSON");
  app.add_option("--random", count, "make this many random scenes")->check(CLI::PositiveNumber);
  app.add_option("--seed", seed, "seed of the random scenes");
  app.add_option("--out", directory, "directory of the random scenes and their labels.jsonl");
  app.add_option("--set", set, "first word of the files' names");
  app.add_option("--pipes", pipes,
                 "of random scenes: waves (gas in cylinders and pipes) or simple");
  app.add_flag("--lossy", lossy, "send three in ten through MP3, AAC or Opus (ffmpeg; slower)");
  app.add_flag("--no-engine", no_engine, "only sounds without an engine");
  app.add_option("--part", part,
                 "render only every PARTS-th scene from this one on (0-based); labels-PART.jsonl")
      ->check(CLI::NonNegativeNumber);
  app.add_option("--parts", parts, "in how many parts the set is rendered")
      ->check(CLI::PositiveNumber);
  CLI11_PARSE(app, argc, argv);
  try {
    if (list) {
      for (const NamedScene& s : named_scenes()) fmt::print("{:22} {}\n", s.name, s.description);
      return 0;
    }
    if (count > 0) {
      if (directory.empty()) throw std::runtime_error("--random needs --out DIRECTORY");
      if (part >= parts) throw std::runtime_error("--part counts from 0 and must be below --parts");
      write_set(count, seed, lossy, no_engine, pipes, set, directory, part, parts);
      return 0;
    }
    if (scene_file.empty() == name.empty()) {
      throw std::runtime_error("give one scene: a file, or --named NAME (synth --list names them)");
    }
    const Scene scene = name.empty() ? scene_from_json(text_of(scene_file)) : named(name);
    if (print) {
      fmt::print("{}", to_json(scene));
      return 0;
    }
    if (out.empty()) throw std::runtime_error("say where to write: -o FILE.wav or -o FILE.flac");
    write_scene(scene, out, truth);
    return 0;
  } catch (const std::exception& e) {
    fmt::print(stderr, "synth: {}\n", e.what());
    return 2;
  }
}
